"""Validation of R4 resources behind one class: ``Validator.validate(resource, profiles)``."""

from service.fhir.validation.rules import ProfileRule, profile_rules
from service.fhir.validation.validator import Validator

__all__ = ["ProfileRule", "Validator", "profile_rules"]
