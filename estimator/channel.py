"""The instrument: an outer tube held by skin and fascia, and what passes on beyond it."""

from __future__ import annotations

from dataclasses import dataclass

from recon.errors import WrongUse


@dataclass(frozen=True)
class Channel:
    """Sleeve, tool and scope of one instrument set; diameters outer, mm.

    Raises WrongUse when a diameter is negative or the tool is wider than the sleeve.
    The lens angle is one of references.md section 5.
    """

    sleeve_diameter_mm: float = 9.0
    tool_diameter_mm: float = 4.0
    working_length_mm: float = 120.0
    working_distance_mm: float = 10.0
    lens_angle_deg: float = 15.0

    def __post_init__(self) -> None:
        for name in ("sleeve_diameter_mm", "tool_diameter_mm", "working_length_mm", "working_distance_mm"):
            value = getattr(self, name)
            if not 0 <= value < 1000:
                raise WrongUse(f"{name!r}", "must be in [0, 1000)", got=value)
        if self.tool_diameter_mm > self.sleeve_diameter_mm:
            raise WrongUse("'tool_diameter_mm'", f"must not exceed the sleeve's {self.sleeve_diameter_mm} mm",
                           got=self.tool_diameter_mm)
        if not 0 <= self.lens_angle_deg < 90:
            raise WrongUse("'lens_angle_deg'", "must be in [0, 90)", got=self.lens_angle_deg)

    @property
    def sleeve_radius_mm(self) -> float:
        """Half the sleeve's outer diameter."""
        return self.sleeve_diameter_mm / 2

    @property
    def tool_radius_mm(self) -> float:
        """Half the tool's diameter."""
        return self.tool_diameter_mm / 2
