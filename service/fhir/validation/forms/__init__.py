"""Questionnaires, and responses against them (R4 questionnaireresponse.html)."""
