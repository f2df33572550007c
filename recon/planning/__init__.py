"""Before anything is bonded: what a set of gauges can know, and which gauges to choose."""
