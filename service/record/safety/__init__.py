"""Jobs that keep safety findings in the record."""

from service.record.safety.watch import Look, SafetyWatch

__all__ = ["Look", "SafetyWatch"]
