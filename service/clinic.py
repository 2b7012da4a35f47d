"""The invented clinic, which lies among the fixtures and not in the package."""

import importlib.util
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

from service.resources import fixtures_dir

_NAME = "airway_invented_clinic"


@cache
def clinic_module() -> ModuleType:
    """The package ``fixtures/clinic``: ``invent(seed)``, ``write_clinic(clinic, folder)``."""
    return _load(fixtures_dir() / "clinic")


def _load(folder: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        _NAME, folder / "__init__.py", submodule_search_locations=[str(folder)]
    )
    if spec is None or spec.loader is None:
        raise FileNotFoundError(f"The invented clinic is not at {folder}")
    module = importlib.util.module_from_spec(spec)
    sys.modules[_NAME] = module
    spec.loader.exec_module(module)
    return module
