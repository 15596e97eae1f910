"""Every measurement of a level, each with its structure, slice type, band and source."""

from __future__ import annotations

from canalwise.recon.anatomy import Measurement
from canalwise.recon.measurement.arch import arch_measurements
from canalwise.recon.measurement.canal import canal_measurements
from canalwise.recon.measurement.context import MeasurementContext
from canalwise.recon.measurement.disc import disc_measurements
from canalwise.recon.measurement.facet_joint import joint_measurements, window_measurements
from canalwise.recon.measurement.lateral_recess import recess_measurements
from canalwise.recon.measurement.ligamentum_flavum import flavum_measurements
from canalwise.recon.measurement.skin_depth import skin_depth_measurements

GROUPS = (
    canal_measurements,
    flavum_measurements,
    recess_measurements,
    disc_measurements,
    joint_measurements,
    window_measurements,
    arch_measurements,
    skin_depth_measurements,
)
"""In the order of the report: canal and sac, ligament, recess and foramen, disc, joints, windows, arch, skin."""


def measurements_of(scene: MeasurementContext) -> tuple[Measurement, ...]:
    """All measurements of a level that the scan shows; a quantity without its landmarks is left out."""
    return tuple(measurement for group in GROUPS for measurement in group(scene))
