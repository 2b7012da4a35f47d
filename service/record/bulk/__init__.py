"""Many resources at once: checked on all cores, kept in batches; a bad row stops nobody."""

from service.record.bulk.loading import Loading, Progress
from service.record.bulk.making import Maker
from service.record.bulk.rows import RefusedRow, SentRow, rows_of

__all__ = ["Loading", "Maker", "Progress", "RefusedRow", "SentRow", "rows_of"]
