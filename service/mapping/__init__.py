"""Documents of the trade to FHIR resources and back, as the tables in /mappings say."""
