"""One JSON line per event on standard error: constant names with fields, ids only, no addresses, no secrets."""

from __future__ import annotations

import logging
import sys
import time

from pythonjsonlogger.json import JsonFormatter


def set_up_logs(level: str) -> None:
    """Send everything to standard error as JSON lines."""
    handler = logging.StreamHandler(sys.stderr)
    formatter = JsonFormatter(
        "{asctime}{levelname}{name}{message}",
        style="{",
        datefmt="%Y-%m-%dT%H:%M:%SZ",
        rename_fields={"asctime": "at", "message": "event"},
    )
    formatter.converter = time.gmtime
    handler.setFormatter(formatter)
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(level.upper())
    for noisy in ("httpx", "httpcore", "apscheduler", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
