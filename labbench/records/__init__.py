"""Keep what was measured and judged: journals (the truth), the store, readings files."""
