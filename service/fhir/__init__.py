"""The standard: HL7 FHIR R4 (4.0.1). Knows nothing of airway clearance."""
