"""The bone that a plan takes, answered as a volume."""

from __future__ import annotations

from dataclasses import dataclass

from canalwise.estimator.approach.approach import Approach
from canalwise.workbench.rehearsal.session.request import Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.surfaces.removal_volume import removal_of_estimate


@dataclass(frozen=True)
class RemovalRequest:
    """A plan and what it is to touch."""

    plan: Approach
    task: tuple[str, ...]


def removal(session: Session, message: RemovalRequest, job: RequestJob) -> Json:
    """The header, and the binary frame with it, the removed volumes, and the bone in their box."""
    del job
    return removal_of_estimate(session.exact(message.plan, message.task), session.resected(message.plan))


ASKS = {"removal": RequestKind(RemovalRequest, removal, newest_only=True)}
