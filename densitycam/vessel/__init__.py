"""Where the culture stands, and what the bars say through it and beside it."""
