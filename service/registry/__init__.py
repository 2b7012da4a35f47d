"""What a research registry may have: consented, k-anonymised, repeatable releases."""
