"""Where a test may keep files that no disk need ever hold."""

from __future__ import annotations

import os
from typing import Final

# For tempfile's dir: thousands of files written over each other cost a disk minutes, and what they
# hold is looked at in the same moment. None where there is no such folder: then on the disk.
MEMORY: Final = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
