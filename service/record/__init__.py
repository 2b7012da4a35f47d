"""The jobs that keep the record: one way in (``write``), one way out (``see``)."""
