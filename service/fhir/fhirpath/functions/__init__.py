"""The functions of FHIRPath, a module for each group that its specification makes."""

from importlib import import_module

from service.fhir.fhirpath.functions.registry import FUNCTIONS

__all__ = ["FUNCTIONS"]

for _name in (
    "boundaries", "collections", "conversion", "existence", "fhir", "filtering", "mathematics",
    "text", "text_coding", "tree", "utility",
):  # fmt: skip
    import_module(f"{__name__}.{_name}")
