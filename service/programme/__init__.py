"""The trade of airway clearance at home: documents, techniques, checks, adherence. Pure."""
