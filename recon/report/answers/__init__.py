"""Words and picture of every answer, a file each."""
