"""Resources, their versions and the search index: one contract, engines behind it."""
