"""The one error of this package."""


class FhirPathError(ValueError):
    """An expression that cannot be compiled, or an evaluation that has no answer.

    ``position`` is the offset in the expression's text where the fault was met, None where it was
    met in the data. The message names types and functions, never a value of the data evaluated.
    """

    def __init__(self, message: str, position: int | None = None) -> None:
        super().__init__(message if position is None else f"{message} (at character {position})")
        self.message, self.position = message, position
