"""The report opens from disk, offline: its scene turns, its endoscope moves, and nothing is asked for elsewhere."""

from __future__ import annotations

import pytest

from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.folder import read_case
from canalwise.workbench.images import solids as scene
from canalwise.workbench.report.report import report_of
from tests.browser.conftest import LEVEL, NO_GL, SOFTWARE_GL

pytestmark = pytest.mark.xdist_group("browser")


@pytest.fixture(scope="module")
def report_file(made_case, tmp_path_factory):
    case = read_case(made_case)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scene, "PIXEL_MM", 1.5)
        patch.setattr(scene, "CELL_MM", 1.5)
        html = report_of(case.scan, case.anatomy, default_approach(case.anatomy, LEVEL, "left")).html
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(html)
    return path


def opened_offline(browsers, path, flags):
    session = browsers(*flags).new_context(viewport={"width": 1100, "height": 900}, offline=True)
    page, requested, wrong = session.new_page(), [], []
    page.on("request", lambda request: requested.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(path.as_uri())
    return session, page, requested, wrong


def test_the_scene_turns_and_the_endoscope_moves_without_a_network(browsers, report_file):
    session, page, requested, wrong = opened_offline(browsers, report_file, SOFTWARE_GL)
    canvas = page.locator("#viewer .viewer-bench canvas").first
    canvas.wait_for(timeout=60_000)
    depth = page.locator("#viewer-depth")
    depth.wait_for(timeout=60_000)
    for act in (
        lambda: page.get_by_role("button", name="From dorsal").click(),
        lambda: page.get_by_label("Bone", exact=True).uncheck(),
    ):
        before = canvas.screenshot()
        act()
        page.wait_for_timeout(1500)
        assert canvas.screenshot() != before
    scope = page.locator("#viewer .viewer-scope canvas").first
    before = scope.screenshot()
    depth.fill("10")
    page.wait_for_timeout(1500)
    assert scope.screenshot() != before
    assert [url for url in requested if not url.startswith(("file:", "data:", "blob:"))] == []
    assert wrong == []
    session.close()


def test_without_webgl_the_pictures_remain(browsers, report_file):
    session, page, _, wrong = opened_offline(browsers, report_file, NO_GL)
    page.get_by_text("no WebGL 2").wait_for(timeout=60_000)
    assert page.locator("figure img").count() >= 8
    assert wrong == []
    session.close()
