"""HTTP: FHIR REST interactions and operations, documents, session uploads, the registry."""
