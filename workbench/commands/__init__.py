"""The command line, one module per verb."""

from __future__ import annotations

import os

# Matrices here are small: a library that shares each among all processors spends more time waiting than working (a
# canal's wall took five times as long). It looks at this once, when it is loaded, so it is said before anything else.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
