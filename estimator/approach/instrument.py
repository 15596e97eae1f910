"""The instrument: an outer tube held by skin and fascia, and what passes on beyond it."""

from __future__ import annotations

from dataclasses import dataclass

from canalwise.recon.errors import WrongUse

THICKEST_MM = 30.0
"""No sleeve is thicker: the widest tubes of open microsurgery (common practice, no source)."""

LONGEST_MM = 400.0
"""No instrument is longer from the pivot (common practice, no source)."""


@dataclass(frozen=True)
class Channel:
    """Sleeve, scope and tool of one instrument set; diameters outer, mm.

    Parameters
    ----------
    sleeve_diameter_mm : outer tube (trade range 8-9 for a 7-8 mm scope; from memory)
    scope_diameter_mm : endoscope (trade range 6.9-8, stenosis type 9-10.5; from memory)
    tool_diameter_mm : burr or punch that passes on beyond the sleeve (burrs 3-5; from memory)
    working_length_mm : longest reach from the pivot
    working_distance_mm : the scope's tip is held this far short of what the tool touches (common practice, no source)
    lens_angle_deg : 0 looks straight ahead

    Raises
    ------
    WrongUse : a diameter not above 0, a size beyond its bound, or not tool <= scope <= sleeve
    """

    sleeve_diameter_mm: float = 8.0
    scope_diameter_mm: float = 7.0
    tool_diameter_mm: float = 3.5
    working_length_mm: float = 120.0
    working_distance_mm: float = 15.0
    lens_angle_deg: float = 15.0

    def __post_init__(self) -> None:
        for name in ("sleeve_diameter_mm", "scope_diameter_mm", "tool_diameter_mm"):
            # A tool of no width (0, or -0.0) would pass through any gap and take nothing.
            if not 0 < getattr(self, name) <= THICKEST_MM:
                raise WrongUse(f"{name!r}", f"must be in (0, {THICKEST_MM:g}]", got=getattr(self, name))
        if not 0 < self.working_length_mm <= LONGEST_MM:
            raise WrongUse("'working_length_mm'", f"must be in (0, {LONGEST_MM:g}]", got=self.working_length_mm)
        if not 0 <= self.working_distance_mm <= LONGEST_MM:
            raise WrongUse("'working_distance_mm'", f"must be in [0, {LONGEST_MM:g}]", got=self.working_distance_mm)
        if not self.tool_diameter_mm <= self.scope_diameter_mm <= self.sleeve_diameter_mm:
            sizes = (self.tool_diameter_mm, self.scope_diameter_mm, self.sleeve_diameter_mm)
            raise WrongUse("channel", "must have tool <= scope <= sleeve diameter", got=sizes)
        if not 0 <= self.lens_angle_deg < 90:
            raise WrongUse("'lens_angle_deg'", "must be in [0, 90)", got=self.lens_angle_deg)

    @property
    def sleeve_radius_mm(self) -> float:
        """Half the sleeve's outer diameter.

        >>> Channel(sleeve_diameter_mm=9.0).sleeve_radius_mm
        4.5
        """
        return self.sleeve_diameter_mm / 2

    @property
    def scope_radius_mm(self) -> float:
        """Half the scope's diameter.

        >>> Channel(scope_diameter_mm=6.6).scope_radius_mm
        3.3
        """
        return self.scope_diameter_mm / 2

    @property
    def tool_radius_mm(self) -> float:
        """Half the tool's diameter.

        >>> Channel(tool_diameter_mm=3.0).tool_radius_mm
        1.5
        """
        return self.tool_diameter_mm / 2
