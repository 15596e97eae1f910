"""Every measurement of a level, each with its structure, slice type, band and source."""

from __future__ import annotations

from recon.anatomy import Measurement
from recon.measure_arch import arch_measurements
from recon.measure_canal import canal_measurements
from recon.measure_disc import disc_measurements
from recon.measure_flavum import flavum_measurements
from recon.measure_joint import joint_measurements, window_measurements
from recon.measure_recess import recess_measurements
from recon.measure_scene import Scene

GROUPS = (canal_measurements, flavum_measurements, recess_measurements, disc_measurements, joint_measurements,
          window_measurements, arch_measurements)
"""In the order they are reported: canal and sac, ligament, recess and foramen, disc and slip, joints, windows, arch."""


def measurements_of(scene: Scene) -> tuple[Measurement, ...]:
    """All measurements of a level that the scan shows; a quantity without its landmarks is left out."""
    return tuple(measurement for group in GROUPS for measurement in group(scene))
