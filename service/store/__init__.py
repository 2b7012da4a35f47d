"""Where resources are kept: one contract, engines behind it."""
