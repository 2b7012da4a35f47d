"""What the mapping refuses.

MappingError
├── TableError       tables do not fit the documents or their own rules; the service cannot start
└── UnmappableError  one document or resource cannot be carried over; says where and why
"""


class MappingError(Exception):
    """Base of both."""


class TableError(MappingError):
    """A mapping table or concept map is wrong. The message lists every fault found."""


class UnmappableError(MappingError):
    """``expression`` is a path in the document or resource; ``diagnostics`` says what is wrong."""

    def __init__(self, expression: str, diagnostics: str) -> None:
        super().__init__(f"{expression}: {diagnostics}")
        self.expression = expression
        self.diagnostics = diagnostics
