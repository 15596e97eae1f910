"""Rehearse a one-sided over-the-top decompression of lumbar central stenosis on the patient's own scan.

Names are loaded when first used:

>>> import canalwise as cw
>>> cw.Channel().sleeve_diameter_mm
8.0

For rehearsal, teaching and research; not a medical device: see `canalwise.CAUTION`.
"""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
