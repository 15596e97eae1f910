"""The surfaces of a level, made once for all pages of a session."""

from __future__ import annotations

from canalwise.workbench.rehearsal.session.session import Session


def scene_frame(session: Session, level_name: str) -> bytes:
    """The level's meshes and marks in its own frame; raises LevelNotInView where there is no such level."""
    # What makes surfaces is loaded only once somebody looks at them.
    from canalwise.workbench.surfaces.surface_frame import BONE_TRIANGLES, level_scene

    level = session.case.anatomy.level(level_name)
    return session.frames.found(("scene", level.name), lambda: level_scene(session.case.anatomy, level, BONE_TRIANGLES))
