"""Protocol of one level among several: the answers of `estimator.outcome.decompressed.DecompressedLevel`.

Said as a protocol, so that this room stands beside the one that works a level out and not on top of it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.geometry.region_protocol import Region
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.resection.resection_level import ResectionLevel


class FreedLevel(Protocol):
    """A level with one approach's resection and what it comes to."""

    @property
    def prepared(self) -> PreparedLevel:
        """The level."""
        ...

    @property
    def resection(self) -> Any:
        """The resection (`estimator.resection.resection.Resection`)."""
        ...

    @property
    def freed(self) -> Any:
        """Freed areas and shares (`estimator.outcome.freed.Freed`)."""
        ...

    @property
    def verdict(self) -> Any:
        """Freed and kept, this level alone (`estimator.outcome.verdict.DecompressionVerdict`)."""
        ...

    def cost_with(self, removal: Removal, region: Region) -> Any:
        """The cost if another removal were carried out (`estimator.outcome.cost.ResectionCost`)."""
        ...

    def checks_of(self, cost: Any) -> tuple[Any, ...]:
        """Every limit held against a cost (`estimator.outcome.verdict.LimitCheck`)."""
        ...


Free = Callable[[PreparedLevel, Approach, ResectionLevel], FreedLevel]
"""Works one out; `estimator.outcome.decompressed.decompressed` does."""
