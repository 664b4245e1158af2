"""One self-contained page: question, answer, machine, pictures, ranking, next checks, cautions, inputs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

from ..machine import Machine
from . import plots, words

if TYPE_CHECKING:
    from ..answers.curve import Curve
    from ..answers.diagnose import Diagnosis

_STYLE = """
:root { color-scheme: light dark; --paper: #fcfbf8; --ink: #1d2125; --soft: #5b6470; --line: #d8d4ca; --mark: #8a3b12; }
@media (prefers-color-scheme: dark) {
  :root { --paper: #17191c; --ink: #e4e2dc; --soft: #a3a9b2; --line: #3a3f46; --mark: #e8a87c; }
}
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 60rem; padding: 1.5rem 1rem 3rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 Georgia, "Times New Roman", serif; }
h1 { font-size: 1.5rem; line-height: 1.25; margin: 0 0 .25rem; }
h2 { font-size: 1.1rem; margin: 2rem 0 .5rem; border-bottom: 1px solid var(--line); padding-bottom: .2rem; }
p.answer { font-size: 1.15rem; margin: .75rem 0; }
p.soft, figcaption, footer { color: var(--soft); font-size: .9rem; }
em.assumed { color: var(--mark); font-style: normal; }
figure { margin: 0; }
figure svg { width: 100%; min-width: 34rem; height: auto; max-height: 42rem; }
figure { overflow-x: auto; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font: .88rem/1.4 system-ui, sans-serif; min-width: 100%; }
th, td { text-align: right; padding: .2rem .6rem; border-bottom: 1px solid var(--line); white-space: nowrap; }
th:first-child, td:first-child, th.text, td.text { text-align: left; }
td.text { white-space: normal; min-width: 12rem; }
tr > td:first-child { vertical-align: top; }
th { font-weight: 600; }
ul.caution { border-left: 4px solid var(--mark); padding: .3rem 0 .3rem 1.6rem; margin: .5rem 0; }
pre { overflow-x: auto; font-size: .8rem; background: color-mix(in srgb, var(--line) 35%, transparent); padding: .6rem; }
@media print {
  :root { color-scheme: light; --paper: #fff; --ink: #000; --soft: #444; --line: #bbb; --mark: #7a3410; }
  body { max-width: none; padding: 0; font-size: 10pt; }
  h2 { break-after: avoid; } figure, table { break-inside: avoid; } figure svg { min-width: 0; }
  pre { white-space: pre-wrap; } .wide, figure { overflow: visible; }
}
"""


def _table(headers: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(h)}</th>' for h in headers)
    body = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in rows)
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _speed(value: float | None, empty: str = "-") -> str:
    return empty if value is None else f"{value * 1e3:.0f}"


def _machine(machine: Machine) -> str:
    """The machine as described, assumed values marked."""
    assumed: dict[str, list[str]] = {}
    for a in machine.assumed:
        owner = a.key.rpartition(".")[0]
        value = a.value if isinstance(a.value, str) else f"{a.value:.3g} {a.unit}".rstrip()
        assumed.setdefault(owner, []).append(f"{a.key.rpartition('.')[2]} {value}")
    rows = [
        [
            f"motor {d.name}",
            f"{d.count} x {d.motor.name}, {d.driver.current_rms:.2f} A rms ({d.driver.current_peak:.2f} A peak), "
            f"{d.transmission.kind}, {d.transmission.travel_per_turn * 1e3:g} mm a turn",
            "; ".join(assumed.get(f"motors.{d.name}", [])),
        ]
        for d in machine.drives
    ]
    rows += [
        [
            f"axis {a.name}",
            f"{a.moving_mass:g} kg, {a.travel * 1e3:g} mm, friction {a.friction:g} N",
            "; ".join(assumed.get(f"axes.{a.name}", [])),
        ]
        for a in machine.axes
    ]
    supply = f"{machine.supply.voltage:g} V, {machine.supply.resistance:g} ohm source"
    rows.insert(0, ["supply", supply, "; ".join(assumed.get("supply", []))])
    body = "".join(
        f"<tr><td>{escape(n)}</td><td class=text>{escape(v)}</td><td class=text><em class=assumed>{escape(w)}</em></td></tr>"
        for n, v, w in rows
    )
    head = "<th></th><th class=text>as described</th><th class=text>assumed, not in the file</th>"
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _agreement(diagnosis: Diagnosis) -> str:
    headers = ["direction", "mm/s2", "worked mm/s", "lost mm/s", "predicted mm/s", "10 % mm/s", "90 % mm/s", "verdict"]
    rows = [
        [
            row.direction,
            f"{row.acceleration * 1e3:.0f}",
            _speed(row.passed),
            _speed(row.skipped),
            _speed(row.predicted, "none"),
            _speed(row.low),
            _speed(row.high, "-" if row.low is None else "none"),
            row.verdict,
        ]
        for row in diagnosis.agreement
    ]
    return _table(headers, rows)


def _causes(diagnosis: Diagnosis) -> str:
    if diagnosis.inference is None:
        return ""
    rows = []
    for found in diagnosis.inference.found:
        if found.probability < 0.005:
            continue
        value, low, high, unit = words.size_words(diagnosis.machine, found)
        size = f"{words.amount(value, unit)} ({words.amount(low, '')} to {words.amount(high, unit)})"
        rows.append(
            [
                found.hypothesis.cause.name,
                found.hypothesis.where,
                words.percent(found.probability),
                size if found.hypothesis.sized else "-",
            ]
        )
    return _table(["cause", "where", "probability", "size (10 to 90 %)"], rows)


def _list(items: Iterable[str], kind: str = "ol") -> str:
    inside = "".join(f"<li>{escape(item)}</li>" for item in items)
    return f"<{kind}>{inside}</{kind}>" if inside else ""


def report_page(diagnosis: Diagnosis, curves: Sequence[Curve], inputs: Sequence[tuple[str, str]], versions: str) -> str:
    """The page.

    Parameters
    ----------
    diagnosis : Diagnosis
    curves : sequence of Curve
        Torque curves to show.
    inputs : sequence of (name, text)
        Files that the answer was made from, printed for reproduction.
    versions : str
        Of the program and what it stands on.

    Returns
    -------
    str
        HTML that needs nothing else.
    """
    machine = diagnosis.machine
    pictures = [
        (
            plots.inline_svg(
                plots.diagnosis_figure(diagnosis),
                "bands",
                "Measured limits over the predicted band, speed against acceleration, a panel for each direction. "
                + words.pattern_words(diagnosis),
            ),
            "Measured limits (triangle: worked, cross: lost steps) over the predicted band.",
        )
    ]
    for k, curve in enumerate(curves):
        pictures.append(
            (
                plots.inline_svg(plots.curve_figure(curve), f"curve{k}", words.curve_words(curve)),
                words.curve_words(curve),
            )
        )
    shown = "".join(f"<figure>{svg}<figcaption>{escape(text)}</figcaption></figure>" for svg, text in pictures)
    directions = ", ".join(dict.fromkeys(row.direction for row in diagnosis.agreement))
    question = f"Does {machine.name} reach what it ought to (directions {directions}), and if not, why?"
    warnings = _list(diagnosis.warnings, "ul")
    remarks = _list((f"{remark}." for remark in diagnosis.remarks), "ul")
    checks = _list(words.check_words(check) for check in diagnosis.checks)
    swap = f"<p>{escape(diagnosis.swap)}</p>" if diagnosis.swap else ""
    readings = _list((f"{key} = {value:g}" for key, value in diagnosis.readings.items()), "ul")
    files = "".join(f"<h3>{escape(name)}</h3><pre>{escape(text)}</pre>" for name, text in inputs)
    cautions = [
        words.CAUTIONS_TEST,
        f"{words.CAUTIONS_CHECK[0].upper()}{words.CAUTIONS_CHECK[1:]}",
        words.CAUTIONS_VOLTAGE,
    ]
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(machine.name)}: diagnosis</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>{escape(machine.name)}</h1>
<p class="soft">{escape(question)}</p>
<p class="answer">{escape(words.diagnosis_words(diagnosis))}</p>
{remarks}{warnings}
<h2>Measured against predicted</h2>
{shown}
{_agreement(diagnosis)}
<h2>What could explain it</h2>
{_causes(diagnosis)}
<h2>Measure next</h2>
{checks or "<p>Nothing that would tell more.</p>"}{swap}
{"<h2>Readings taken</h2>" + readings if readings else ""}
<h2>The machine</h2>
{_machine(machine)}
<h2>Cautions</h2>
{_list(cautions, "ul").replace("<ul>", '<ul class="caution">')}
<h2>For reproduction</h2>
<p class="soft">{escape(versions)}</p>
{files}
</main>
</body>
</html>
"""
