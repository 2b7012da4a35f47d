"""Search: parameters, the rows that resources are found by, and what a query asks."""
