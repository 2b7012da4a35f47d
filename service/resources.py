"""Where the project's data folders are: in a checkout beside the package, in a wheel inside it."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_HOME = _PACKAGE / "data" if (_PACKAGE / "data").is_dir() else _PACKAGE.parent


def profiles_dir() -> Path:
    """Our StructureDefinitions, CodeSystems, ValueSets, Measures, OperationDefinitions."""
    return _HOME / "profiles"


def mappings_dir() -> Path:
    """Mapping tables, concept maps, column maps of session feeds, the rules of releases."""
    return _HOME / "mappings"


def fixtures_dir() -> Path:
    """The invented clinic."""
    return _HOME / "fixtures"
