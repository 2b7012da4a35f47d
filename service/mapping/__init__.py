"""Documents of the trade <-> resources of the standard, driven by the tables in ``mappings``."""
