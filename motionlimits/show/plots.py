"""Pictures of answers, by matplotlib (extra `plots`). Shapes differ as well as colours, for print and colour blindness."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..answers.compare import Comparison
    from ..answers.curve import Curve
    from ..answers.diagnose import Diagnosis
    from ..answers.motion import Motion
    from ..answers.plan import Plan
    from ..answers.predict import Limit, Prediction

INK = "#1a1b1c"  # replaced by the page's own text colour in inline pictures
BLUE, OCHRE, ROSE, SLATE = "#2b6cb0", "#b7791f", "#c2416b", "#718096"
FORMATS = (".svg", ".png", ".pdf")


def _figure(width: float, height: float, columns: int = 1, rows: int = 1) -> tuple[Figure, list[Axes]]:
    try:
        import matplotlib
    except ImportError:
        raise InputError(
            "pictures need matplotlib, which is not installed: pip install 'motionlimits[plots]'"
        ) from None
    from matplotlib.figure import Figure

    matplotlib.rcParams.update(
        {
            "svg.fonttype": "none",
            "svg.hashsalt": "motionlimits",
            "font.family": "sans-serif",
            "font.size": 9,
            "text.color": INK,
            "axes.labelcolor": INK,
            "axes.edgecolor": INK,
            "xtick.color": INK,
            "ytick.color": INK,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.titlesize": 10,
            "legend.frameon": False,
        }
    )
    figure = Figure(figsize=(width, height), layout="constrained")
    figure.patch.set_alpha(0.0)
    grid = figure.subplots(rows, columns, squeeze=False)
    axes = [axis for row in grid for axis in row]
    for axis in axes:
        axis.patch.set_alpha(0.0)
        axis.grid(True, color=SLATE, alpha=0.25, linewidth=0.6)
    return figure, axes


def save(figure: Figure, path: Path) -> None:
    """Write a picture; the ending of the name says which kind.

    Raises
    ------
    InputError
        For an unknown ending or a place that cannot be written.
    """
    if path.suffix.lower() not in FORMATS:
        raise InputError(f"{path}: a picture's name ends in {', '.join(FORMATS)}")
    figure.patch.set_alpha(1.0)
    figure.patch.set_facecolor("white")
    try:
        figure.savefig(path, dpi=150, metadata={"Date": None} if path.suffix.lower() == ".svg" else None)
    except OSError as problem:
        raise InputError(f"{path}: cannot be written: {problem.strerror or problem}") from None


def inline_svg(figure: Figure, name: str, alternative: str) -> str:
    """A picture as SVG inside a page: text in the page's colour, ids of its own, a text alternative."""
    from html import escape

    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = svg.replace(INK, "currentColor")
    svg = re.sub(r'(id=")', rf"\g<1>{name}-", svg)
    svg = re.sub(r'(url\(#|xlink:href="#)', rf"\g<1>{name}-", svg)
    svg = re.sub(r'width="[\d.]+pt" height="[\d.]+pt"', "", svg, count=1)
    head = f'<svg role="img" aria-label="{escape(alternative, quote=True)}" '
    return svg.replace("<svg ", head, 1).replace("<defs>", f"<title>{escape(alternative)}</title><defs>", 1)


def curve_figure(curve: Curve) -> Figure:
    """Torque over speed with its bounds and the demand of a move."""
    figure, (axis,) = _figure(6.4, 3.6)
    x = list(curve.speeds_rev_s)
    axis.fill_between(
        x, curve.bound_low, curve.bound_high, color=BLUE, alpha=0.25, linewidth=0, label="closed-form bounds"
    )
    axis.plot(x, curve.pullout, color=BLUE, linewidth=2, label="pull-out torque")
    if curve.demand:
        label = f"demand along {curve.direction.label if curve.direction else ''}"
        axis.plot(x, curve.demand, color=OCHRE, linewidth=2, linestyle="--", label=label)
    axis.set_xlabel("motor speed, rev/s")
    axis.set_ylabel("torque, N.m")
    axis.set_ylim(bottom=0.0)
    axis.set_title(f"Motor {curve.drive.name} at {curve.machine.supply.voltage:g} V")
    axis.legend()
    return figure


def _panels(count: int) -> tuple[Figure, list[Axes]]:
    """A figure as wide as any other for so many panels, two side by side where there are more than one."""
    columns = min(count, 2)
    rows = -(-count // columns)
    return _figure(7.2, 2.9 * rows, columns, rows)


def _limits(axis: Axes, limits: Sequence[Limit], colour: str = BLUE, name: str = "predicted") -> None:
    x = [limit.acceleration * 1e3 for limit in limits]
    top = [limit.reachable * 1e3 for limit in limits]

    def speeds(values: Sequence[float | None]) -> list[float]:
        return [t if v is None else v * 1e3 for v, t in zip(values, top, strict=True)]

    low, high = speeds([limit.low for limit in limits]), speeds([limit.high for limit in limits])
    band = f"{name}, 10 to 90 %"
    if len(x) > 1:
        axis.fill_between(x, low, high, color=colour, alpha=0.28, linewidth=0, label=band)
    else:
        # A band over a single acceleration has no width of its own.
        axis.vlines(x, low, high, color=colour, alpha=0.28, linewidth=14, label=band)
    axis.plot(
        x, speeds([limit.skip for limit in limits]), color=colour, linewidth=2, marker="o", markersize=3, label=name
    )
    travel = None if name == "after" else "travel allows"
    axis.plot(
        x, top, color=SLATE, linewidth=1, linestyle=":", marker="_" if len(x) == 1 else "", markersize=14, label=travel
    )


def _finish(axis: Axes, title: str) -> None:
    axis.set_title(title)
    axis.set_xlabel("acceleration, mm/s2")
    axis.set_ylabel("speed, mm/s")
    axis.set_ylim(bottom=0.0)


def _by_direction(limits: Sequence[Limit]) -> dict[str, list[Limit]]:
    groups: dict[str, list[Limit]] = {}
    for limit in limits:
        groups.setdefault(limit.direction, []).append(limit)
    return {k: sorted(v, key=lambda limit: limit.acceleration) for k, v in groups.items()}


def prediction_figure(prediction: Prediction) -> Figure:
    """Skip speed over acceleration, one panel for each direction."""
    groups = _by_direction(prediction.limits)
    figure, axes = _panels(len(groups))
    for axis, (direction, limits) in zip(axes, groups.items(), strict=False):
        _limits(axis, limits)
        _log(axis, limits)
        _finish(axis, f"direction {direction}")
    _tidy(figure, len(groups))
    return figure


def _log(axis: Axes, limits: Sequence[Limit]) -> None:
    rates = sorted({limit.acceleration * 1e3 for limit in limits})
    if len(rates) > 1:
        axis.set_xscale("log")
        axis.minorticks_off()
    # Every other one where there are many, so that labels do not run into each other.
    shown = rates if len(rates) <= 4 else rates[::2]
    axis.set_xticks(shown, [f"{rate:.0f}" for rate in shown])


def _tidy(figure: Figure, used: int) -> None:
    for axis in figure.axes[used:]:
        axis.set_visible(False)
    _legend(figure)


def _legend(figure: Figure) -> None:
    """What the first panel shows, in a line below all of them: within a panel it may cover what was measured."""
    for old in list(figure.legends):
        old.remove()
    handles, labels = figure.axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=len(labels), fontsize=7)


def comparison_figure(comparison: Comparison) -> Figure:
    """Skip speeds before and after."""
    before, after = _by_direction(comparison.before.limits), _by_direction(comparison.after.limits)
    figure, axes = _panels(len(before))
    for axis, direction in zip(axes, before, strict=False):
        _limits(axis, before[direction], SLATE, "before")
        _limits(axis, after[direction], OCHRE, "after")
        _log(axis, before[direction])
        _finish(axis, f"direction {direction}")
    _tidy(figure, len(before))
    return figure


def diagnosis_figure(diagnosis: Diagnosis) -> Figure:
    """Measured brackets over the predicted band, one panel for each direction."""
    groups = _by_direction(diagnosis.prediction.limits)
    figure, axes = _panels(len(groups))
    for axis, (direction, limits) in zip(axes, groups.items(), strict=False):
        _limits(axis, limits)
        _log(axis, limits)
        for row in diagnosis.agreement:
            if row.direction != direction:
                continue
            x = row.acceleration * 1e3
            if row.passed is not None and row.skipped is not None:
                axis.plot([x, x], [row.passed * 1e3, row.skipped * 1e3], color=ROSE, linewidth=3, solid_capstyle="butt")
            if row.passed is not None:
                axis.plot([x], [row.passed * 1e3], marker="^", color=ROSE, markersize=7, linestyle="none")
            if row.skipped is not None:
                axis.plot(
                    [x], [row.skipped * 1e3], marker="x", color=ROSE, markersize=7, markeredgewidth=2, linestyle="none"
                )
        _finish(axis, f"direction {direction}")
    axes[0].plot([], [], marker="^", color=ROSE, linestyle="none", label="worked")
    axes[0].plot([], [], marker="x", color=ROSE, markeredgewidth=2, linestyle="none", label="lost steps")
    _tidy(figure, len(groups))
    return figure


def plan_figure(planned: Plan) -> Figure:
    """Speeds to test over the predicted band."""
    figure = prediction_figure(planned.prediction)
    for axis, direction in zip(figure.axes, _by_direction(planned.prediction.limits), strict=False):
        rows = [row for row in planned.rows if row.direction == direction]
        axis.plot(
            [row.acceleration * 1e3 for row in rows],
            [row.speed * 1e3 for row in rows],
            marker="s",
            markersize=4,
            color=OCHRE,
            linestyle="none",
            label="to test",
        )
    _legend(figure)
    return figure


def motion_figure(motion: Motion) -> Figure:
    """Speed and lag over time."""
    figure, axes = _figure(6.4, 4.6, 1, 2)
    t = motion.trace.time * 1e3
    axes[0].plot(t, motion.trace.speed_reference * 1e3, color=SLATE, linewidth=2, label="commanded")
    axes[0].set_ylabel("speed, mm/s")
    styles: list[dict[str, Any]] = [
        {"color": BLUE},
        {"color": OCHRE, "linestyle": "--"},
        {"color": ROSE, "linestyle": "-."},
    ]
    for d, name in enumerate(motion.machine.drive_names):
        axes[1].plot(t, motion.trace.lag[:, d].clip(-7.0, 7.0), label=f"motor {name}", linewidth=1.4, **styles[d % 3])
    for limit, text in ((-2.6, None), (2.6, "does not come back")):
        axes[1].axhline(limit, color=INK, linewidth=0.8, linestyle=":", label=text)
    axes[1].set_ylabel("lag, rad electrical")
    axes[1].set_xlabel("time, ms")
    axes[1].legend(fontsize=7)
    axes[0].legend(fontsize=7)
    return figure
