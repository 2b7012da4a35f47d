"""Jobs that keep safety findings in the record."""

from service.record.safety.asking import Assessed, assess_child, assess_children
from service.record.safety.watch import Look, SafetyWatch

__all__ = ["Assessed", "Look", "SafetyWatch", "assess_child", "assess_children"]
