"""Two set-ups by several runs each: metrics, model, tests, verdict."""
