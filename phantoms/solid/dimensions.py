"""The sizes of one vertebra or one level of a given spine, scaled and adapted to its knobs."""

from __future__ import annotations

from dataclasses import dataclass

from canalwise.phantoms.solid import published_sizes as sizes
from canalwise.phantoms.spec import LevelKnobs, SpineSpec


@dataclass(frozen=True)
class VertebraSize:
    """Lengths in mm of one vertebra; `wedge_deg` of its body, spurs of its end plates' rims."""

    name: str
    width_upper_mm: float
    width_lower_mm: float
    depth_upper_mm: float
    depth_lower_mm: float
    height_mm: float
    wedge_deg: float
    canal_width_mm: float
    canal_depth_mm: float
    pedicle_width_mm: float
    pedicle_height_mm: float
    transverse_span_mm: float
    lamina_thickness_mm: float
    lamina_upper_mm: float
    lamina_lower_mm: float
    spinous_length_mm: float
    spinous_height_mm: float
    spur_upper_mm: float = 0.0
    spur_lower_mm: float = 0.0

    @property
    def pedicle_z_mm(self) -> float:
        """Height of the pedicle's axis above mid-body: it leaves the body's upper half."""
        return self.height_mm / 2 - 1.5 - self.pedicle_height_mm / 2

    @property
    def pedicle_x_mm(self) -> float:
        """Distance of the pedicle's axis from the midline."""
        return (self.canal_width_mm + self.pedicle_width_mm) / 2

    @property
    def depth_mm(self) -> float:
        """Mean body depth."""
        return (self.depth_upper_mm + self.depth_lower_mm) / 2


@dataclass(frozen=True)
class LevelSize:
    """Lengths in mm of one motion segment; sided values are (left, right)."""

    name: str
    disc_height_mm: float
    wedge_deg: float
    joint_angle_deg: tuple[float, float]
    joint_x_mm: float
    joint_y_mm: float
    joint_width_mm: float
    joint_height_mm: float
    flavum_mm: tuple[float, float]
    trefoil_mm: float
    knobs: LevelKnobs


def wedge_frac(spec: SpineSpec) -> float:
    """Scale of every wedge that gives the specified lordosis, from L1's upper end plate to S1's.

    >>> wedge_frac(SpineSpec())
    1.0
    """
    bodies = [name for name in spec.vertebrae if name not in ("T12", "S1")]
    discs = [name for name in spec.level_names if not name.startswith("T12")]
    normal = sum(sizes.BODY_WEDGE[sizes.size_key(name, spec.lumbar_count)] for name in bodies)
    normal += sum(sizes.DISC_WEDGE[sizes.size_key(name, spec.lumbar_count)] for name in discs)
    return spec.lordosis_deg / normal


def vertebra_size(spec: SpineSpec, name: str) -> VertebraSize:
    """The sizes of one vertebra of a spine.

    >>> vertebra_size(SpineSpec(), "L3").canal_width_mm
    24.3
    """
    key, scale = sizes.size_key(name, spec.lumbar_count), spec.size_frac
    return VertebraSize(
        name=name,
        width_upper_mm=scale * sizes.BODY_WIDTH_UPPER[key],
        width_lower_mm=scale * sizes.BODY_WIDTH_LOWER[key],
        depth_upper_mm=scale * sizes.BODY_DEPTH_UPPER[key],
        depth_lower_mm=scale * sizes.BODY_DEPTH_LOWER[key],
        height_mm=scale * sizes.BODY_HEIGHT_DORSAL[key],
        wedge_deg=wedge_frac(spec) * sizes.BODY_WEDGE[key],
        canal_width_mm=scale * sizes.CANAL_WIDTH[key],
        canal_depth_mm=scale * sizes.CANAL_DEPTH[key],
        pedicle_width_mm=scale * sizes.PEDICLE_WIDTH[key],
        pedicle_height_mm=scale * sizes.PEDICLE_HEIGHT[key],
        transverse_span_mm=scale * sizes.TRANSVERSE_SPAN[key],
        lamina_thickness_mm=scale * sizes.LAMINA_THICKNESS[key],
        lamina_upper_mm=scale * sizes.LAMINA_UPPER_EDGE[key],
        lamina_lower_mm=scale * sizes.LAMINA_LOWER_EDGE[key],
        spinous_length_mm=scale * sizes.SPINOUS_LENGTH[key],
        spinous_height_mm=scale * sizes.SPINOUS_HEIGHT[key],
        spur_upper_mm=_spur_mm(spec, name, below=False),
        spur_lower_mm=_spur_mm(spec, name, below=True),
    )


def _spur_mm(spec: SpineSpec, vertebra: str, *, below: bool) -> float:
    """Osteophytes of the level above or below a vertebra; 0 where there is none."""
    found = [level for level in spec.level_names if level.split("-")[0 if below else 1] == vertebra]
    return spec.knobs(found[0]).osteophyte_mm if found else 0.0


def level_size(spec: SpineSpec, name: str) -> LevelSize:
    """The sizes of one level of a spine, its knobs applied.

    >>> level_size(SpineSpec(), "L4-L5").joint_angle_deg
    (43.2, 43.2)
    """
    key, scale, knobs = sizes.size_key(name, spec.lumbar_count), spec.size_frac, spec.knobs(name)
    left, right = (sizes.JOINT_ANGLE[key] if angle is None else angle for angle in knobs.joint_angle_deg)
    thick_left, thick_right = (scale * sizes.FLAVUM_THICKNESS[key] + more for more in knobs.flavum_overgrowth_mm)
    return LevelSize(
        name=name,
        disc_height_mm=scale * sizes.DISC_HEIGHT[key] * knobs.disc_height_frac,
        wedge_deg=wedge_frac(spec) * sizes.DISC_WEDGE[key],
        joint_angle_deg=(left, right),
        joint_x_mm=scale * sizes.JOINT_LATERAL[key],
        joint_y_mm=scale * sizes.JOINT_DORSAL[key],
        joint_width_mm=scale * sizes.JOINT_WIDTH[key],
        joint_height_mm=scale * sizes.JOINT_HEIGHT[key],
        flavum_mm=(thick_left, thick_right),
        trefoil_mm=scale * sizes.TREFOIL[key],
        knobs=knobs,
    )
