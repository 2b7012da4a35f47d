"""Documents of the trade to FHIR resources and back, driven by the tables in /mappings."""
