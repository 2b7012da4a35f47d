"""The frame of the service: health, ids, limits, logs, and errors of every kind."""

