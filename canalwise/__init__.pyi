from .api import Result, __version__, build, compare, estimate, search
from .estimator.approach.approach import Approach, Phase
from .estimator.approach.instrument import Channel
from .estimator.charts.entry_map import entry_map
from .estimator.charts.instrument_chart import instrument_chart
from .estimator.charts.tilt_chart import tilt_chart
from .estimator.estimate.estimate import Estimate
from .estimator.level.prepared_level import PreparedLevel, prepared_level
from .estimator.limits import Limit, Limits
from .estimator.planning.default_approach import default_approach
from .recon.anatomy import Anatomy, Level
from .recon.case.folder import Case, read_case, write_case
from .recon.disclaimer import CAUTION
from .recon.errors import (
    AnatomyNotFound,
    BadCase,
    BadFile,
    BadGeometry,
    BadLabels,
    CanalwiseError,
    LevelNotInView,
    UnusableInput,
    WrongUse,
)
from .recon.grid import Grid
from .recon.intake.examination import read_examination
from .recon.intake.reader import read_scan
from .recon.intake.working_volume import working_volume
from .recon.scan import Scan

__all__ = [
    "CAUTION",
    "Anatomy",
    "AnatomyNotFound",
    "Approach",
    "BadCase",
    "BadFile",
    "BadGeometry",
    "BadLabels",
    "CanalwiseError",
    "Case",
    "Channel",
    "Estimate",
    "Grid",
    "Level",
    "LevelNotInView",
    "Limit",
    "Limits",
    "Phase",
    "PreparedLevel",
    "Result",
    "Scan",
    "UnusableInput",
    "WrongUse",
    "__version__",
    "build",
    "compare",
    "default_approach",
    "entry_map",
    "estimate",
    "instrument_chart",
    "prepared_level",
    "read_case",
    "read_examination",
    "read_scan",
    "search",
    "tilt_chart",
    "working_volume",
    "write_case",
]
