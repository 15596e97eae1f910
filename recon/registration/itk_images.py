"""Our arrays and motions as SimpleITK's, and back.

SimpleITK's world is LPS by convention only: both scans are handed over in RAS, so motions come back in RAS.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import SimpleITK as sitk  # noqa: N813

from canalwise.recon.grid import Float, Grid
from canalwise.recon.registration.rigid_motion import RigidMotion


def itk_image(voxels: npt.NDArray[np.generic], grid: Grid) -> sitk.Image:
    """The voxels in their place, as 32-bit floats; of a mask as whole numbers.

    >>> itk_image(np.zeros((2, 3, 4), bool), Grid((2, 3, 4), np.diag([0.5, 0.5, 3.0, 1.0]))).GetSpacing()
    (0.5, 0.5, 3.0)
    """
    kind = np.uint8 if voxels.dtype == bool else np.float32
    image = sitk.GetImageFromArray(np.ascontiguousarray(voxels.T.astype(kind)))
    image.SetSpacing([float(s) for s in grid.spacing_mm])
    image.SetOrigin([float(x) for x in grid.world_mm([0, 0, 0])])
    image.SetDirection([float(x) for x in (grid.affine_ras_mm[:3, :3] / grid.spacing_mm).ravel()])
    return image


def itk_motion(motion: RigidMotion, centre_mm: Float) -> sitk.Euler3DTransform:
    """The motion as three angles about a centre and a shift, as the optimiser walks on it.

    `centre_mm` (3,) array, RAS.
    """
    transform = sitk.Euler3DTransform()
    transform.SetCenter([float(x) for x in centre_mm])
    transform.SetMatrix([float(x) for x in motion.turn.ravel()], 1e-6)
    transform.SetTranslation([float(x) for x in motion.moved_mm(centre_mm) - centre_mm])
    return transform


def motion_of(transform: sitk.Transform, centre_mm: Float) -> RigidMotion:
    """The motion that an optimiser found, as nearly right-angled as numbers go.

    >>> motion, centre = RigidMotion.of(np.eye(3), [1.0, 2.0, 3.0]), np.array([5.0, 0.0, 0.0])
    >>> motion_of(itk_motion(motion, centre), centre).shift_mm.round(6).tolist()
    [1.0, 2.0, 3.0]
    """
    found = sitk.Euler3DTransform(transform)
    left, _, right = np.linalg.svd(np.array(found.GetMatrix()).reshape(3, 3))
    return RigidMotion.about(centre_mm, left @ right, np.array(found.GetTranslation()))
