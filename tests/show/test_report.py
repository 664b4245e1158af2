"""The page and the pictures: self-contained, escaped, without complaints in a browser."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from motionlimits.answers.curve import curve
from motionlimits.answers.diagnose import diagnose
from motionlimits.answers.motion import simulate_move
from motionlimits.answers.predict import predict
from motionlimits.errors import InputError
from motionlimits.machine import Machine
from motionlimits.sweep import SweepRow

plots = pytest.importorskip("motionlimits.show.plots")
pytest.importorskip("matplotlib")
CHROMIUM = shutil.which("chromium")
HOSTILE = '<script>alert(1)</script> "quoted" & é'


@pytest.fixture(scope="module")
def page(gantry: Machine, example_rows: tuple[SweepRow, ...]) -> str:
    from motionlimits.show.report import report_page

    # A few machines do for what only shows.
    diagnosis = replace(
        diagnose(gantry, example_rows, samples=4), machine=replace(gantry, name=HOSTILE), readings={"supply_v": 47.5}
    )
    return report_page(diagnosis, [curve(gantry, "a")], [("machine.toml", HOSTILE)], "versions")


def test_page_needs_nothing_else(page: str) -> None:
    assert not re.search(r'(src|href)="(?!#)', page.replace('xlink:href="#', ""))
    assert "http" not in re.sub(r'xmlns(:\w+)?="[^"]+"', "", page)
    assert "@import" not in page
    assert page.count("<svg role=") == 2
    assert page.count("aria-label=") == 2


def test_user_text_is_escaped(page: str) -> None:
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_ids_are_unique(page: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_sections_are_there(page: str) -> None:
    for heading in (
        "Measured against predicted",
        "What could explain it",
        "Measure next",
        "Cautions",
        "For reproduction",
    ):
        assert f"<h2>{heading}</h2>" in page
    assert "supply_v = 47.5" in page


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (Debian package chromium)")
def test_page_opens_in_a_browser_without_complaint(page: str, tmp_path: Path) -> None:
    """Headless Chromium: no console message, no request that leaves the page, no sideways scrolling on a phone."""
    probe = (
        "<script>addEventListener('load',()=>{document.title='W'+(document.documentElement.scrollWidth>innerWidth?"
        "'wide':'fits')+performance.getEntriesByType('resource').length})</script>"
    )
    file = tmp_path / "report.html"
    file.write_text(page.replace("</body>", probe + "</body>"), encoding="utf-8")
    assert CHROMIUM is not None
    done = subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync", "--enable-logging=stderr",
            f"--user-data-dir={tmp_path / 'profile'}", "--window-size=520,900", "--virtual-time-budget=3000", "--dump-dom",
            file.as_uri(),
        ],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert "CONSOLE" not in done.stderr
    assert "<title>Wfits0</title>" in done.stdout


def test_pictures_are_written(gantry: Machine, tmp_path: Path) -> None:
    x = gantry.direction("x")
    figures = {
        "curve": plots.curve_figure(curve(gantry, "a", direction=x, acceleration=3.0)),
        "limits": plots.prediction_figure(predict(gantry, [x], [3.0, 9.0], samples=8)),
        "motion": plots.motion_figure(simulate_move(gantry, x, 6.0, 0.6)),
    }
    for name, figure in figures.items():
        for ending in plots.FORMATS:
            plots.save(figure, tmp_path / f"{name}{ending}")
            assert (tmp_path / f"{name}{ending}").stat().st_size > 3000
    with pytest.raises(InputError, match=r"\.svg"):
        plots.save(figures["curve"], tmp_path / "curve.bmp")
    with pytest.raises(InputError, match="cannot be written"):
        plots.save(figures["curve"], tmp_path / "none" / "curve.svg")


def test_a_single_acceleration_is_drawn_with_its_band(gantry: Machine) -> None:
    """And one legend below all panels says what they show, as wide a figure for one panel as for more."""
    rows = [SweepRow("x", 20.0, v, None, 3, lost) for v, lost in ((0.7, 0), (0.8, 3))]
    more = [*rows, SweepRow("y", 3.0, 0.3, None, 3, 0), SweepRow("y", 6.0, 0.3, None, 3, 3)]
    alone, both = (plots.diagnosis_figure(diagnose(gantry, some, samples=4)) for some in (rows, more))
    (limit,) = diagnose(gantry, rows, samples=4).prediction.limits
    ((bottom, top),) = alone.axes[0].collections[0].get_segments()
    assert (bottom[1], top[1]) == pytest.approx((1e3 * limit.low, 1e3 * limit.high))
    assert alone.get_figwidth() == both.get_figwidth()
    for figure in (alone, both):
        (legend,) = figure.legends
        assert {text.get_text() for text in legend.get_texts()} >= {
            "predicted",
            "travel allows",
            "worked",
            "lost steps",
        }
        assert not any(axis.get_legend() for axis in figure.axes)
