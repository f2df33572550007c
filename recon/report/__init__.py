"""Pictures and words for people: figures, summaries."""
