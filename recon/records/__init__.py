"""The only readers and writers of data files: logs, pull sheets, tares, maps, results."""
