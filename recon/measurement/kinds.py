"""Every kind of measurement in one table: quantity, unit, structure, slice, bands, plausible range.

To add a measurement, write a row here and a function that computes it in the module of its structure; a new module is
listed once in `recon.measurement.all_measurements`. Severity bands, plausible ranges, tables and reports follow.

Canal mid-sagittal diameter has two scales that answer different questions and are never merged: absolute
narrowing (Verbiest) and narrow for the population (developmental cohort); see docs/published-values.md#conflicts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from canalwise.recon.anatomy import Measurement
from canalwise.recon.evidence import EvidenceClass
from canalwise.recon.severity_bands import SeverityScale, Threshold

AT_PEDICLE, AT_DISC, SAC_AT_DISC = "canal at pedicle", "canal at disc", "dural sac at disc"
ACROSS_SAC = "plane across the sac, the narrowest from pedicle to pedicle"
"""Slice types of canal and sac; never compared with each other (docs/published-values.md#conflicts)."""

AT_RECESS = "axial plane at the pedicle's superior border"
AT_MID_HEIGHT, WHOLE, DORSAL_VIEW = "axial plane at joint mid-height", "whole joint", "dorsal view"

SPINOUS_BASE_BEHIND_MM = 7.0
"""Where the spinous base ends dorsally of the canal's roof (docs/numbers.md#anatomical-definitions)."""


@dataclass(frozen=True)
class PlausibleRange:
    """A wide range in which a quantity lies in populations, healthy and stenotic, and where it comes from.

    A structure that was cut wrongly falls out of it more often than a patient does.
    """

    low: float
    high: float
    source: str
    evidence: EvidenceClass


@dataclass(frozen=True)
class MeasurementKind:
    """One kind of measurement.

    Parameters
    ----------
    key : of the table, unique
    quantity : as people read it
    unit : of the value
    structure : what is measured; {side} and {vertebra} are filled in
    at : the slice or plane it is taken in
    scale : its severity bands; None where nothing is published, or where they depend on the vertebra
    plausible : range outside which a wrong border is more likely than a disease; None is not judged
    """

    key: str
    quantity: str
    unit: str
    structure: str
    at: str
    scale: SeverityScale | None = None
    plausible: PlausibleRange | None = None


NARROWEST_SAC = "dural sac area, narrowest"
"""Quantity of the sac's least section anywhere within a level."""

VERBIEST = "Verbiest, Orthop Clin N Am 1975, as credited by a secondary page"
SCHONSTROM = "Schonstrom, Bolender, Spengler, Spine 1985"
BOLENDER = "Bolender, Schonstrom, Spengler, J Bone Joint Surg Am 1985"
STEURER = "Steurer et al., BMC Musculoskelet Disord 2011"
CIRIC = "Ciric et al., J Neurosurg 1980"
HASEGAWA = "Hasegawa et al., J Bone Joint Surg Am 1995"
MAEDER = "Maeder et al., Diagnostics 2023, mean less 2 SD"
MEYERDING = "Meyerding 1932"
EGYPTIAN = "Orthopedics 2013;36(2):e229, CT, n=300"
PANJABI = "Panjabi et al., Spine 1993;18:1298"
TROPISM = "Medicine 2019, PMC6783151"

DIAMETER = "canal mid-sagittal diameter"

_DIAMETER_SCALE = SeverityScale(
    DIAMETER,
    "low",
    (
        Threshold("absolute stenosis", 10.0, "mm", VERBIEST, "READ"),
        Threshold("relative stenosis", 12.0, "mm", VERBIEST, "READ"),
        Threshold("between relative stenosis and normal", 13.0, "mm", VERBIEST, "READ"),
    ),
    "normal",
)
_DIAMETER_RANGE = PlausibleRange(5.0, 28.0, f"{EGYPTIAN} (11-26), stenosis below", "READ")

_SAC_THRESHOLDS = (
    Threshold("severe stenosis", 75.0, "mm2", SCHONSTROM, "MEM"),
    Threshold("central stenosis", 100.0, "mm2", BOLENDER, "READ"),
    Threshold("early stenosis", 130.0, "mm2", BOLENDER, "READ"),
)

_ROWS = (
    MeasurementKind(
        "canal area at disc",
        "canal area",
        "mm2",
        "canal",
        AT_DISC,
        SeverityScale(
            "canal area at disc",
            "low",
            (Threshold("stenosis", 70.0, "mm2", STEURER, "READ"),),
            "not below the criterion",
        ),
    ),
    MeasurementKind("canal diameter at disc", DIAMETER, "mm", "canal", AT_DISC, _DIAMETER_SCALE, _DIAMETER_RANGE),
    MeasurementKind(
        "dural sac area",
        "dural sac area",
        "mm2",
        "dural sac",
        SAC_AT_DISC,
        SeverityScale(
            "dural sac area",
            "low",
            _SAC_THRESHOLDS,
            "normal",
        ),
    ),
    MeasurementKind(
        NARROWEST_SAC,
        NARROWEST_SAC,
        "mm2",
        "dural sac",
        ACROSS_SAC,
        SeverityScale(NARROWEST_SAC, "low", _SAC_THRESHOLDS, "normal"),
    ),
    MeasurementKind("fluid in the sac", "fluid in the sac", "%", "dural sac", ACROSS_SAC),
    MeasurementKind("spread in the sac", "spread of brightness in the sac", "%", "dural sac", ACROSS_SAC),
    MeasurementKind("fat behind the sac", "brightness behind the sac", "%", "canal behind the dural sac", ACROSS_SAC),
    MeasurementKind("dural sac diameter", "dural sac mid-sagittal diameter", "mm", "dural sac", SAC_AT_DISC),
    MeasurementKind(
        "canal area at pedicle",
        "canal area",
        "mm2",
        "canal of {vertebra}",
        AT_PEDICLE,
        SeverityScale(
            "canal area at pedicle",
            "low",
            (Threshold("developmentally narrow", 160.0, "mm2", MAEDER, "READ"),),
            "not narrow",
        ),
    ),
    MeasurementKind(
        "canal diameter at pedicle",
        DIAMETER,
        "mm",
        "canal of {vertebra}",
        AT_PEDICLE,
        _DIAMETER_SCALE,
        _DIAMETER_RANGE,
    ),
    MeasurementKind(
        "canal diameter, population",
        "canal mid-sagittal diameter, population",
        "mm",
        "canal of {vertebra}",
        AT_PEDICLE,
    ),
    MeasurementKind(
        "interpedicular distance",
        "interpedicular distance",
        "mm",
        "canal of {vertebra}",
        AT_PEDICLE,
        plausible=PlausibleRange(15.0, 45.0, f"{EGYPTIAN} (17-43)", "READ"),
    ),
    MeasurementKind(
        "ligamentum flavum thickness",
        "ligamentum flavum thickness",
        "mm",
        "{side} ligamentum flavum",
        "axial planes at mid-window",
        SeverityScale(
            "ligamentum flavum thickness",
            "high",
            (Threshold("hypertrophy", 4.0, "mm", "common use, no source", "MEM"),),
            "normal",
        ),
    ),
    MeasurementKind(
        "lateral recess height",
        "lateral recess height",
        "mm",
        "{side} lateral recess",
        AT_RECESS,
        SeverityScale(
            "lateral recess height",
            "low",
            (
                Threshold("recess stenosis", 2.0, "mm", CIRIC, "MEM"),
                Threshold("recess stenosis likely", 3.0, "mm", CIRIC, "MEM"),
                Threshold("narrow recess", 5.0, "mm", CIRIC, "MEM"),
            ),
            "normal",
        ),
        PlausibleRange(1.0, 14.0, f"{EGYPTIAN} (4-14), stenosis below", "READ"),
    ),
    MeasurementKind("lateral recess angle", "lateral recess angle", "deg", "{side} lateral recess", AT_RECESS),
    MeasurementKind(
        "foramen height",
        "foramen height",
        "mm",
        "{side} foramen",
        "between the pedicles",
        SeverityScale("foramen height", "low", (Threshold("critical", 15.0, "mm", HASEGAWA, "READ"),), "not critical"),
        PlausibleRange(6.0, 30.0, "teaching ranges of foraminal height, tertiary", "READ"),
    ),
    MeasurementKind(
        "posterior disc height",
        "posterior disc height",
        "mm",
        "disc",
        "midline at the dorsal border",
        SeverityScale(
            "posterior disc height", "low", (Threshold("critical", 4.0, "mm", HASEGAWA, "READ"),), "not critical"
        ),
        PlausibleRange(1.0, 14.0, "mean model of 87 patients (3.1-11.4), wide", "READ"),
    ),
    MeasurementKind("slip", "slip", "mm", "{upper} on {lower}", "midline, positive ventral"),
    # grades are of ventral slips; a share below zero is a retro-position and has none
    MeasurementKind(
        "slip share",
        "slip",
        "%",
        "{upper} on {lower}",
        "of the lower end plate's depth, positive ventral",
        SeverityScale(
            "slip",
            "high",
            (
                Threshold("grade V", 100.0, "%", MEYERDING, "MEM"),
                Threshold("grade IV", 75.0, "%", MEYERDING, "MEM"),
                Threshold("grade III", 50.0, "%", MEYERDING, "MEM"),
                Threshold("grade II", 25.0, "%", MEYERDING, "MEM"),
                Threshold("grade I", 5.0, "%", "less is measuring error; common practice, no source", "PRACTICE"),
            ),
            "no slip",
        ),
    ),
    MeasurementKind(
        "facet angle",
        "facet angle from sagittal plane",
        "deg",
        "{side} facet joint",
        AT_MID_HEIGHT,
        plausible=PlausibleRange(10.0, 80.0, "Britspine 2010 (35.9-49.4, SD 7.4-10.1)", "READ"),
    ),
    MeasurementKind(
        "facet joint area",
        "facet joint area",
        "mm2",
        "{side} facet joint",
        WHOLE,
        plausible=PlausibleRange(72.3, 300.0, f"{PANJABI} (72-212), degenerative joints above", "READ"),
    ),
    MeasurementKind("facet joint gap", "facet joint gap", "mm", "{side} facet joint", WHOLE),
    MeasurementKind(
        "facet tropism",
        "facet tropism",
        "deg",
        "both facet joints",
        AT_MID_HEIGHT,
        SeverityScale("facet tropism", "high", (Threshold("tropism", 7.0, "deg", TROPISM, "READ"),), "symmetric"),
        PlausibleRange(0.0, 20.0, "Asian Spine J 2018;12(5) (mean 4, SD 3)", "READ"),
    ),
    MeasurementKind("window width", "window width", "mm", "{side} interlaminar window", DORSAL_VIEW),
    MeasurementKind("window height", "window height", "mm", "{side} interlaminar window", DORSAL_VIEW),
    MeasurementKind("window area", "window area", "mm2", "{side} interlaminar window", DORSAL_VIEW),
    MeasurementKind("window area, both sides", "window area", "mm2", "interlaminar window", DORSAL_VIEW),
    MeasurementKind(
        "lamina thickness",
        "lamina thickness",
        "mm",
        "{side} lamina of {vertebra}",
        "mid-lamina",
        plausible=PlausibleRange(2.0, 10.0, "Spine 1999;24(2):107 (1.9-5.0), both cortices and slope", "READ"),
    ),
    MeasurementKind(
        "lamina slope",
        "lamina slope",
        "deg",
        "{side} lamina of {vertebra}",
        "sagittal plane at mid-lamina",
        plausible=PlausibleRange(80.0, 170.0, "Spine 1999;24(2):107 (129, SD 7.5)", "READ"),
    ),
    MeasurementKind(
        "pars width",
        "pars width",
        "mm",
        "{side} pars of {vertebra}",
        "isthmus, medio-lateral",
        SeverityScale(
            "pars width", "low", (Threshold("thin", 5.0, "mm", "common practice, no source", "PRACTICE"),), "not thin"
        ),
        PlausibleRange(3.0, 22.0, "common practice, no source", "PRACTICE"),
    ),
    MeasurementKind(
        "spinous base width",
        "spinous base width",
        "mm",
        "spinous base of {vertebra}",
        f"{SPINOUS_BASE_BEHIND_MM:g} mm dorsal of the canal roof",
        plausible=PlausibleRange(3.0, 15.0, "common practice, no source", "PRACTICE"),
    ),
    MeasurementKind(
        "skin-to-lamina depth", "skin-to-lamina depth", "mm", "{side} lamina of {vertebra}", "straight dorsal"
    ),
)

KINDS: Mapping[str, MeasurementKind] = MappingProxyType({kind.key: kind for kind in _ROWS})
"""Key -> kind, in the order of the report's sections."""

SCALES: Mapping[str, SeverityScale] = MappingProxyType(
    {kind.scale.quantity: kind.scale for kind in _ROWS if kind.scale is not None}
)
"""Quantity -> severity scale, absolute thresholds."""


def measured(
    key: str,
    value: float | None,
    *,
    source: str = "",
    scale: SeverityScale | None = None,
    graded: bool = True,
    **names: str,
) -> tuple[Measurement, ...]:
    """One measurement of a kind with its severity band, or none without a value.

    Parameters
    ----------
    key : of KINDS
    value : in the kind's unit; None where the scan does not show it
    source : how the structure was obtained; the measurement's own adds where the band's limits come from
    scale : bands that depend on the vertebra, in place of the kind's own
    graded : False gives no band: of what was modelled no severity can be said
    names : side, vertebra and such, for the structure

    >>> measured("dural sac area", 90.0)[0].band
    'central stenosis'
    >>> measured("foramen height", 12.0, side="left")[0].structure
    'left foramen'
    """
    if value is None:
        return ()
    kind = KINDS[key]
    bands = (kind.scale if scale is None else scale) if graded else None
    band = "" if bands is None else bands.band(value)
    origin = "; ".join(part for part in (source, f"bands: {bands.source}" if bands else "") if part)
    return (Measurement(kind.quantity, float(value), kind.unit, kind.structure.format(**names), kind.at, band, origin),)
