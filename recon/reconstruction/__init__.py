"""From conditioned indications to tyre forces with intervals: prepare once, solve many."""
