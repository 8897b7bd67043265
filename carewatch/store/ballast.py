"""A file beside the database that is worth nothing: given up when the disk is full, so that even DELETE works again."""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

BALLAST_BYTES = 4 * 1024 * 1024
"""Chosen: far more than one tick writes, little beside any disk."""

REFILL_FREE_BYTES = 8 * BALLAST_BYTES
"""Free space from which the ballast is laid again; chosen: well above it, so that it is not spent at once."""


class Ballast:
    """The ballast of one database file."""

    def __init__(self, database_file: Path) -> None:
        self.path = database_file.with_name(database_file.name + ".ballast")

    @property
    def is_spent(self) -> bool:
        """Tell whether it was given up: the disk is or was full."""
        return not self.path.exists()

    def spend(self) -> bool:
        """Give the space back to the disk; True if there was any to give."""
        try:
            self.path.unlink()
        except OSError:
            return False
        return True

    def refill(self) -> None:
        """Lay it again if the disk has room; no room is no error."""
        with contextlib.suppress(OSError):
            if self.is_spent and shutil.disk_usage(self.path.parent).free >= REFILL_FREE_BYTES:
                self._write()

    def _write(self) -> None:
        file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            os.write(file, b"carewatch: free space for a full disk\n".ljust(BALLAST_BYTES, b"\0"))
        except OSError:
            self.path.unlink()
            raise
        finally:
            os.close(file)
