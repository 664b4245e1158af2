"""The command line: parse, call one answer, show it."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from .errors import InputError

if TYPE_CHECKING:
    from .machine import Direction, Machine

PROGRAM_FAULT = 70  # exit code of a fault of the program itself, as sysexits.h has it

app = typer.Typer(
    name="motionlimits",
    help=(
        "What an open-loop stepping machine ought to reach, what a change would bring, and what a measured sweep says. "
        "Start with a machine file (see examples/), then: predict, compare, diagnose."
    ),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
motors_app = typer.Typer(help="The motors that come with the package.", no_args_is_help=True, rich_markup_mode=None)
app.add_typer(motors_app, name="motors")

MachinePath = Annotated[Path, typer.Argument(metavar="MACHINE", help="Machine file (TOML).", show_default=False)]
AsJson = Annotated[bool, typer.Option("--json", help="Write the whole answer as JSON instead of words and tables.")]
DirectionOption = Annotated[
    list[str] | None,
    typer.Option(
        "--direction",
        help="Axis name, minus and an axis name, or an angle in the x-y plane in degrees. May be repeated.",
        show_default=False,
    ),
]
AccelerationOption = Annotated[
    list[float] | None,
    typer.Option("--acceleration", help="In mm/s2. May be repeated.", metavar="MM/S2", show_default=False),
]
TravelOption = Annotated[
    float | None,
    typer.Option("--travel", help="Length of the moves in mm, if shorter than the axes.", show_default=False),
]
PlotOption = Annotated[
    Path | None,
    typer.Option(
        "--plot", help="Also a picture: a file ending in .svg, .png or .pdf (extra 'plots').", show_default=False
    ),
]
Quick = Annotated[bool, typer.Option("--quick", help="Static and shock limits of the nominal machine only, no band.")]


def _fail(message: str) -> NoReturn:
    print(f"motionlimits: {message}", file=sys.stderr)
    raise typer.Exit(2)


def _warn(messages: tuple[str, ...]) -> None:
    for message in messages:
        print(f"warning: {message}", file=sys.stderr)


def _bold(text: str) -> str:
    """The answer stands out on a terminal; NO_COLOR and pipes get plain text."""
    if sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb":
        return f"\x1b[1m{text}\x1b[0m"
    return text


def _say(answer: str, *rest: str) -> None:
    print(_bold(answer))
    for part in rest:
        if part:
            print(f"\n{part}")


def _say_json(content: dict[str, Any]) -> None:
    print(json.dumps(content, indent=1, allow_nan=False))


def _open(path: Path) -> Machine:
    from .files.machines import read_machine

    return read_machine(path)


def _directions(machine: Machine, given: list[str] | None) -> list[Direction] | None:
    return [machine.direction(text) for text in dict.fromkeys(given)] if given else None


def _metres(values: list[float] | None) -> list[float] | None:
    from .files.fields import from_mm

    return [from_mm(value) for value in values] if values else None


def _metre(value: float | None) -> float | None:
    from .files.fields import from_mm

    return None if value is None else from_mm(value)


@contextmanager
def _progress() -> Iterator[Callable[[float], None]]:
    """Share done, on standard error, on a terminal, once a run has taken a second."""
    start = time.monotonic()
    shown = False

    def report(share: float) -> None:
        nonlocal shown
        if sys.stderr.isatty() and time.monotonic() - start > 1.0:
            shown = True
            print(f"\rsimulating moves: {share:4.0%}", end="", file=sys.stderr, flush=True)

    yield report
    if shown:
        print("\r" + " " * 30 + "\r", end="", file=sys.stderr, flush=True)


def _answers(function: Callable[..., None]) -> Callable[..., None]:
    """Bad input ends with one message and exit code 2, an interrupt with 130, anything else with one message too."""
    import functools

    @functools.wraps(function)
    def wrapped(*args: Any, **kwargs: Any) -> None:
        try:
            function(*args, **kwargs)
            sys.stdout.flush()
        except InputError as problem:
            _fail(str(problem))
        except typer.Exit:
            raise
        except (KeyboardInterrupt, typer.Abort):
            print("\nmotionlimits: interrupted", file=sys.stderr)
            raise SystemExit(130) from None
        except MemoryError:
            _fail("out of memory; ask for fewer accelerations or directions")
        except BrokenPipeError:
            # The reader of a pipe has gone: end quietly, and keep Python from complaining on closing the stream.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise SystemExit(0) from None
        except OSError as problem:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            _fail(f"the answer could not be written: {problem.strerror or problem}")
        except (ArithmeticError, AssertionError, LookupError, RuntimeError, TypeError, ValueError) as problem:
            if os.environ.get("MOTIONLIMITS_TRACEBACK"):
                raise
            print(
                f"motionlimits: the program failed on this input ({type(problem).__name__}: {problem}). This is a fault "
                "of the program, not of your files; MOTIONLIMITS_TRACEBACK=1 in the environment shows where.",
                file=sys.stderr,
            )
            raise SystemExit(PROGRAM_FAULT) from None

    return wrapped


@app.command()
@_answers
def curve(
    machine: MachinePath,
    motor: Annotated[
        str | None, typer.Option(help="Which motor of the machine; the first by default.", show_default=False)
    ] = None,
    speeds_rev_s: Annotated[
        str | None,
        typer.Option("--speeds-rev-s", help="Shaft speeds, comma-separated, e.g. 5,10,20.", show_default=False),
    ] = None,
    direction: Annotated[
        str | None,
        typer.Option(help="Lay the demand of a move in this direction beside it.", show_default=False),
    ] = None,
    acceleration: Annotated[
        float | None, typer.Option(help="Of that move, in mm/s2.", metavar="MM/S2", show_default=False)
    ] = None,
    no_losses: Annotated[bool, typer.Option("--no-losses", help="Leave iron losses at the shaft out.")] = False,
    plot: PlotOption = None,
    as_json: AsJson = False,
) -> None:
    """Torque against speed of one motor, as this supply and driver let it have.

    A stepping motor keeps its torque up to the corner speed, where the supply can no longer force the current through
    the winding; beyond it torque falls off. The column "bounds" is the closed-form check on the table.
    """
    from .answers.curve import curve as answer
    from .answers.predict import check_accelerations
    from .show import json as show_json
    from .show import tables, words

    described = _open(machine)
    speeds = None
    if speeds_rev_s is not None:
        try:
            speeds = [float(part) for part in speeds_rev_s.split(",")]
        except ValueError:
            raise InputError(f"--speeds-rev-s {speeds_rev_s[:60]}: write numbers separated by commas") from None
        if len(speeds) > 10_000:
            raise InputError("--speeds-rev-s: up to 10,000 speeds")
    if (direction is None) != (acceleration is None):
        raise InputError("--direction and --acceleration go together: a move has both")
    rate = _metre(acceleration)
    if rate is not None:
        check_accelerations([rate])
    result = answer(
        described,
        motor or described.drives[0].name,
        speeds,
        direction=described.direction(direction) if direction else None,
        acceleration=rate,
        losses=not no_losses,
    )
    _plot(plot, "curve_figure", result)
    if as_json:
        _say_json(show_json.curve_dict(result))
    else:
        _say(words.curve_words(result), tables.curve_table(result), words.assumed_words(described))


@app.command()
@_answers
def predict(
    machine: MachinePath,
    direction: DirectionOption = None,
    acceleration: AccelerationOption = None,
    travel: TravelOption = None,
    speed: Annotated[
        float | None, typer.Option(help="Also the chance of losing steps at this speed, in mm/s.", show_default=False)
    ] = None,
    quick: Quick = False,
    plot: PlotOption = None,
    as_json: AsJson = False,
) -> None:
    """The speed at which steps will be lost, by direction and acceleration, with a band.

    Moves are simulated for machines drawn within the tolerances; the speed given is their median, the band holds 80 %
    of them. Without options: the directions that tell the motors apart, and eight accelerations up to nearly the most
    the drive can give. For the machine as described, "steady" is where demand passes the motor's torque, "shock" what
    an abrupt start without damping allows, "travel allows" the highest speed the move is long enough for.
    """
    from .answers.predict import predict as answer
    from .show import json as show_json
    from .show import tables, words

    described = _open(machine)
    at = _metre(speed)
    if at is not None and not 0.0 < at <= 100.0:
        raise InputError(f"--speed {speed:g}: allowed: above 0 and up to 100,000 mm/s")
    with _progress() as progress:
        result = answer(
            described,
            _directions(described, direction),
            _metres(acceleration),
            travel=_metre(travel),
            quick=quick,
            progress=progress,
        )
    _plot(plot, "prediction_figure", result)
    if as_json:
        _say_json(show_json.prediction_dict(result, at))
        return
    notes = (words.prediction_notes(result), words.assumed_words(described))
    if at is None:
        _say(words.prediction_words(result), tables.prediction_table(result), *notes)
    else:
        _say(words.chance_words(result, at), tables.chance_table(result, at), *notes)


@app.command()
@_answers
def motion(
    machine: MachinePath,
    direction: Annotated[str, typer.Option(help="Axis name, minus and an axis name, or an angle in degrees.")],
    acceleration: Annotated[float, typer.Option(help="In mm/s2.", metavar="MM/S2")],
    speed: Annotated[float, typer.Option(help="Commanded speed in mm/s.", metavar="MM/S")],
    travel: TravelOption = None,
    start_speed: Annotated[
        float, typer.Option("--start-speed", help="Abrupt step of speed at the start, in mm/s.", metavar="MM/S")
    ] = 0.0,
    csv: Annotated[Path | None, typer.Option(help="Write the time series to this file.", show_default=False)] = None,
    plot: PlotOption = None,
    as_json: AsJson = False,
) -> None:
    """One move seen from inside: does every motor keep its steps, and how far does its rotor lag.

    The lag is the angle between where the driver points the field and where the rotor is, in radians of the
    electrical cycle (four full steps). Beyond about 2.6 a rotor does not come back. Values are those of the machine
    as described, without tolerances.
    """
    from .answers.motion import simulate_move
    from .files.fields import from_mm, write_text
    from .show import json as show_json
    from .show import tables, words
    from .show.series import motion_csv

    described = _open(machine)
    result = simulate_move(
        described,
        described.direction(direction),
        from_mm(acceleration),
        from_mm(speed),
        travel=_metre(travel),
        start_speed=from_mm(start_speed),
    )
    if csv is not None:
        write_text(csv, motion_csv(result))
    _plot(plot, "motion_figure", result)
    if as_json:
        _say_json(show_json.motion_dict(result))
    else:
        _say(words.motion_words(result), tables.motion_table(result), words.assumed_words(described))


@app.command()
@_answers
def compare(
    machine: MachinePath,
    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="KEY=VALUE",
            help="The change, by the keys of the machine file, e.g. supply.voltage_v=48. May be repeated.",
            show_default=False,
        ),
    ] = None,
    direction: DirectionOption = None,
    acceleration: AccelerationOption = None,
    travel: TravelOption = None,
    speed: Annotated[
        float | None, typer.Option(help="State the power drawn at this speed, in mm/s.", show_default=False)
    ] = None,
    quick: Quick = False,
    plot: PlotOption = None,
    as_json: AsJson = False,
) -> None:
    """What a change would bring: skip speeds before and after, power drawn, ratings passed.

    For example whether 24 V to 48 V helps: compare MACHINE --set supply.voltage_v=48
    """
    from .answers.compare import compare as answer
    from .files.machines import open_machine
    from .show import json as show_json
    from .show import tables, words

    if not settings:
        raise InputError("nothing to compare: state the change with --set, for example --set supply.voltage_v=48")
    file = open_machine(machine)
    before, after = file.machine(), file.changed(settings).machine()
    with _progress() as progress:
        result = answer(
            before,
            after,
            _directions(before, direction),
            _metres(acceleration),
            speed=_metre(speed),
            travel=_metre(travel),
            quick=quick,
            progress=progress,
        )
    _plot(plot, "comparison_figure", result)
    if as_json:
        _say_json(show_json.comparison_dict(result))
        return
    _warn(result.warnings)
    raised = after.supply.voltage > before.supply.voltage
    _say(
        words.comparison_words(result),
        tables.comparison_table(result),
        words.power_words(result),
        words.assumed_words(before),
        f"Caution: {words.CAUTIONS_VOLTAGE}" if raised else "",
    )


@app.command()
@_answers
def diagnose(
    machine: MachinePath,
    sweep: Annotated[
        Path | None, typer.Argument(metavar="[SWEEP]", help="Measured sweep (CSV).", show_default=False)
    ] = None,
    direction: Annotated[
        str | None,
        typer.Option(help="Quick form without a sweep file: the direction tested.", show_default=False),
    ] = None,
    acceleration: Annotated[
        float | None,
        typer.Option(help="Quick form: the acceleration, mm/s2.", metavar="MM/S2", show_default=False),
    ] = None,
    passed: Annotated[
        float | None,
        typer.Option(help="Quick form: highest speed without a lost step, mm/s.", show_default=False),
    ] = None,
    skipped: Annotated[
        float | None, typer.Option(help="Quick form: lowest speed that lost steps, mm/s.", show_default=False)
    ] = None,
    evidence: Annotated[
        Path | None, typer.Option(help="Readings taken with a scale or a meter (TOML).", show_default=False)
    ] = None,
    found: Annotated[
        list[str] | None,
        typer.Option(
            "--found",
            metavar="KEY=VALUE",
            help="One reading, e.g. pull_x_n=12.5, supply_v=23.1, phase_ohm_a=1.6. May be repeated.",
            show_default=False,
        ),
    ] = None,
    shifts: Annotated[
        Path | None,
        typer.Option(help="Displacements of the part (CSV with dx_mm,dy_mm), as evidence.", show_default=False),
    ] = None,
    report: Annotated[
        Path | None, typer.Option(help="Write a page to send (HTML, extra 'plots').", show_default=False)
    ] = None,
    verbose: Annotated[bool, typer.Option("--verbose", help="Also priors and fit of every cause.")] = False,
    quick: Quick = False,
    thorough: Annotated[
        bool,
        typer.Option("--thorough", help="Draw more machines within tolerance: where probabilities are not settled."),
    ] = False,
    fail_on_mismatch: Annotated[
        bool,
        typer.Option("--fail-on-mismatch", help="Exit with 1 where a measurement lies outside its band."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Hold a measured sweep against what the machine ought to do, and rank what could explain it.

    The answer names the likeliest cause with its probability and size, then how each measured limit lies against its
    predicted band, the other causes, and what to measure next with what it would read under each of them. Readings
    come back with --found or --evidence, and the ranking updates.

    With a sweep file: diagnose MACHINE SWEEP. Without one, for a single limit, which counts as met three times:
    diagnose MACHINE --direction x --acceleration 3000 --passed 150 --skipped 160
    """
    from .answers.diagnose import diagnose as answer
    from .answers.diagnose import quick_rows
    from .answers.infer import SAMPLES, THOROUGH_SAMPLES
    from .answers.shift import READING_ERROR, explain_all
    from .files.evidence import read_evidence
    from .files.fields import write_text
    from .files.shifts import read_shifts
    from .files.sweeps import read_sweep
    from .show import json as show_json
    from .show import tables, words

    described = _open(machine)
    if sweep is not None:
        if any(value is not None for value in (direction, acceleration, passed, skipped)):
            raise InputError("give either a sweep file or --direction, --acceleration, --passed, --skipped, not both")
        rows = read_sweep(sweep, described)
    else:
        if direction is None or acceleration is None:
            raise InputError(
                "give a sweep file, or --direction and --acceleration with --passed and/or --skipped for a single limit"
            )
        described.direction(direction)
        rate = _metre(acceleration)
        assert rate is not None
        rows = quick_rows(direction, rate, _metre(passed), _metre(skipped))
    readings = read_evidence(described, evidence, found or [])
    damage = explain_all(described, read_shifts(shifts, READING_ERROR)) if shifts is not None else None
    if report is not None and quick:
        raise InputError("--report needs the whole diagnosis; leave --quick out")
    if thorough and quick:
        raise InputError("give either --quick or --thorough, not both")
    samples = THOROUGH_SAMPLES if thorough else SAMPLES
    with _progress() as progress:
        result = answer(described, rows, readings, damage, quick=quick, samples=samples, progress=progress)
    if report is not None:
        write_text(report, _report(machine, sweep, evidence, shifts, result))
    if as_json:
        _say_json(show_json.diagnosis_dict(result))
    else:
        _warn(result.warnings)
        known = result.inference is not None
        checks = "\n".join(f"{k}. {words.check_words(c)}" for k, c in enumerate(result.checks, 1))
        _say(
            words.diagnosis_words(result),
            "\n".join(f"Note: {remark}." for remark in result.remarks),
            words.shifts_words(damage) if damage is not None else "",
            tables.agreement_table(result),
            tables.causes_table(result) if known else "",
            f"Measure next:\n{checks}" if checks else "",
            result.swap,
            tables.priors_table(result) if verbose and known else "",
            words.moved_words(result) if verbose and known else "",
            words.assumed_words(described),
            f"Caution: {words.CAUTIONS_CHECK}" if known else "",
        )
    if fail_on_mismatch and result.mismatch:
        raise typer.Exit(1)


@app.command()
@_answers
def plan(
    machine: MachinePath,
    direction: DirectionOption = None,
    acceleration: AccelerationOption = None,
    travel: TravelOption = None,
    trials: Annotated[int, typer.Option(help="Moves at each speed.")] = 2,
    acceleration_for: Annotated[
        float | None,
        typer.Option(
            "--acceleration-for",
            metavar="MM/S",
            help="Instead of a sweep: which acceleration to use to reach this speed, in the first direction.",
            show_default=False,
        ),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(help="Write the sweep to fill in to this file.", show_default=False)
    ] = None,
    program: Annotated[
        Path | None,
        typer.Option(help="Write the moves as a program (ISO 6983: G1, F, G4) to this file.", show_default=False),
    ] = None,
    acceleration_line: Annotated[
        str | None,
        typer.Option(
            "--acceleration-line",
            help="The line that sets the acceleration on your controller, with {acceleration} where mm/s2 go.",
            show_default=False,
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite files that exist.")] = False,
    plot: PlotOption = None,
    as_json: AsJson = False,
) -> None:
    """Design the sweep: accelerations, speeds around the predicted band, order, when to stop, how to see a lost step.

    A commanded speed above the square root of acceleration times travel is never reached; no such row is planned. The
    column "bit" says how much the measured limit of that direction and acceleration would tell about the cause.
    """
    from .answers.plan import plan as answer
    from .answers.plan import sizing
    from .show import json as show_json
    from .show import tables, words
    from .show.programs import blank_sweep, sweep_program

    described = _open(machine)
    directions = _directions(described, direction)
    for path in (csv, program):
        _may_write(path, force)
    if acceleration_for is not None:
        with _progress() as progress:
            size = sizing(
                described,
                _metre(acceleration_for) or 0.0,
                (directions or list(described.usual_directions()))[0],
                travel=_metre(travel),
                progress=progress,
            )
        if as_json:
            _say_json(show_json.sizing_dict(size))
        else:
            _say(words.sizing_words(size), words.assumed_words(described))
        return
    with _progress() as progress:
        result = answer(
            described, directions, _metres(acceleration), travel=_metre(travel), trials=trials, progress=progress
        )
    _write(csv, lambda: blank_sweep(result))
    _plot(plot, "plan_figure", result)
    _write(program, lambda: sweep_program(result, acceleration_line))
    if as_json:
        _say_json(show_json.plan_dict(result))
        return
    _say(
        words.plan_words(result),
        tables.plan_table(result),
        words.STOP_RULE,
        words.assumed_words(described),
        f"Caution: {words.CAUTIONS_TEST}",
    )


@app.command()
@_answers
def shift(
    machine: MachinePath,
    dx: Annotated[float, typer.Option("--dx", help="Displacement along x in mm, e.g. --dx=-1.2.")] = 0.0,
    dy: Annotated[float, typer.Option("--dy", help="Displacement along y in mm.")] = 0.0,
    error: Annotated[float, typer.Option(help="Reading error in mm, one standard deviation.")] = 0.05,
    shifts: Annotated[
        Path | None, typer.Option(help="Several displacements (CSV with dx_mm,dy_mm).", show_default=False)
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Read the damage: what displaced the part by that much.

    A motor loses whole electrical cycles (four full steps), a belt jumps whole teeth, a loose pulley slips by anything.
    On crossed belts one motor's slip lies on a 45 degree line.
    """
    from .answers.shift import explain_all
    from .files.fields import from_mm
    from .files.shifts import read_shifts
    from .show import json as show_json
    from .show import tables, words

    described = _open(machine)
    if shifts is not None:
        measured = read_shifts(shifts, from_mm(error))
    elif dx == 0.0 and dy == 0.0:
        raise InputError("give the displacement with --dx and --dy in mm, or several with --shifts FILE")
    else:
        measured = [(from_mm(dx), from_mm(dy), from_mm(error))]
    result = explain_all(described, measured)
    if as_json:
        _say_json(show_json.shifts_dict(result))
    else:
        _say(words.shifts_words(result), tables.shift_table(result), words.shifts_list(result))


@app.command()
@_answers
def new(
    path: Annotated[Path, typer.Argument(metavar="FILE", help="Machine file to write.", show_default=False)],
    name: Annotated[str | None, typer.Option(help="What to call the machine.", show_default=False)] = None,
    layout: Annotated[str | None, typer.Option(help="crossed-belt or independent.", show_default=False)] = None,
    voltage: Annotated[float | None, typer.Option(help="Supply voltage, V.", show_default=False)] = None,
    current_rms: Annotated[
        float | None, typer.Option("--current-rms", help="Driver setting, A rms.", show_default=False)
    ] = None,
    current_peak: Annotated[
        float | None, typer.Option("--current-peak", help="Driver setting, A peak.", show_default=False)
    ] = None,
    motor: Annotated[
        str | None, typer.Option(help="Motor name (motionlimits motors list) or file.", show_default=False)
    ] = None,
    teeth: Annotated[int | None, typer.Option(help="Teeth of the motor's pulley.", show_default=False)] = None,
    pitch: Annotated[float | None, typer.Option(help="Belt pitch, mm.", show_default=False)] = None,
    lead: Annotated[float | None, typer.Option(help="Screw lead, mm, instead of a belt.", show_default=False)] = None,
    efficiency: Annotated[float, typer.Option(help="Of the screw: 0.4 sliding nut, 0.9 balls.")] = 0.4,
    axis: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME,KG,MM[,N]",
            help="An axis: name, moving mass, travel, friction by a luggage scale. May be repeated.",
            show_default=False,
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite a file that exists.")] = False,
) -> None:
    """Write a commented machine file, by questions at a terminal or by options.

    Options that are given are not asked for. Everything asked for is on a label, or comes from a kitchen scale, a
    luggage scale and counting teeth.
    """
    from .files.fields import write_text
    from .files.machines import machine_from_table
    from .files.motors import parse_toml
    from .files.new import Answers, machine_text
    from .show import words

    _may_write(path, force)
    if current_rms is not None and current_peak is not None:
        raise InputError("give either --current-rms or --current-peak, not both")
    name = _ask(name, "--name", "What do you call the machine?", "my machine", str)
    layout = _ask(
        layout, "--layout", "Layout: crossed-belt (two crossed long belts) or independent?", "crossed-belt", str
    )
    voltage = _ask(voltage, "--voltage", "Supply voltage in V (label, or a meter at the driver)?", 24.0, float)
    peak = current_peak is not None
    current = (
        current_peak
        if peak
        else _ask(
            current_rms, "--current-rms", "Driver current in A rms (peak divided by 1.41; see its manual)?", 1.0, float
        )
    )
    motor = _ask_motor(motor)
    if lead is None:
        teeth = _ask(teeth, "--teeth", "Teeth on the motor's pulley (count them)?", 20, int)
        pitch = _ask(pitch, "--pitch", "Belt pitch in mm (ten teeth divided by ten)?", 2.0, float)
    axes = [_axis(text) for text in axis] if axis else _ask_axes()
    text = machine_text(
        Answers(
            name=name,
            layout=layout,
            voltage=voltage,
            current=current or 0.0,
            current_is_peak=peak,
            motor=motor,
            kind="belt" if lead is None else "screw",
            pulley_teeth=teeth or 20,
            belt_pitch=pitch or 2.0,
            lead=lead or 8.0,
            screw_efficiency=efficiency,
            axes=tuple(axes),
        )
    )
    described = machine_from_table(parse_toml(text, str(path)), str(path), text, path.parent)
    write_text(path, text)
    _say(
        f"Wrote {path}: {described.name}, {len(described.drives)} motors, {len(described.axes)} axes. "
        f"Next: motionlimits predict {path}",
        words.assumed_words(described),
    )


def _report(machine: Path, sweep: Path | None, evidence: Path | None, shifts: Path | None, result: Any) -> str:
    """The page, with the files it was made from."""
    import platform
    from importlib.metadata import version

    from . import __version__
    from .answers.curve import curve as torque_curve
    from .files.fields import read_text
    from .show.report import report_page

    described = result.machine
    rows = result.agreement
    first = described.direction(rows[0].direction)
    rate = sorted(row.acceleration for row in rows)[len(rows) // 2]
    moving = abs(described.kinematic_map @ first.vector) > 1e-12
    drive = next(d for d, moves in zip(described.drives, moving, strict=True) if moves)
    # As many points as a smooth line needs, over the range that the usual table has.
    top = max(torque_curve(described, drive.name).speeds_rev_s)
    speeds = [top * k / 80.0 for k in range(81)]
    curves = [torque_curve(described, drive.name, speeds, direction=first, acceleration=rate)]
    inputs = [(path.name, read_text(path, "input")) for path in (machine, sweep, evidence, shifts) if path is not None]
    parts = [f"motionlimits {__version__}", f"Python {platform.python_version()}"]
    parts += [f"{name} {version(name)}" for name in ("numpy", "scipy", "matplotlib")]
    return report_page(result, curves, inputs, ", ".join(parts) + "; seed 0")


def _plot(path: Path | None, figure: str, result: Any) -> None:
    """Draw a result, where a picture is wanted."""
    if path is not None:
        from .show import plots

        plots.save(getattr(plots, figure)(result), path)


def _may_write(path: Path | None, force: bool) -> None:
    if path is not None and path.exists() and not force:
        raise InputError(f"{path} exists; choose another name, or --force to overwrite it")


def _write(path: Path | None, text: Callable[[], str]) -> None:
    from .files.fields import write_text

    if path is not None:
        write_text(path, text())


def _ask(given: Any, option: str, question: str, usual: Any, kind: type) -> Any:
    """A value given by option, or asked for at a terminal."""
    if given is not None:
        return given
    if not sys.stdin.isatty():
        raise InputError(f"{option} is needed (there is no terminal to ask at)")
    return typer.prompt(question, default=usual, type=kind)


def _ask_motor(given: str | None) -> str:
    if given is not None:
        return given
    if not sys.stdin.isatty():
        raise InputError("--motor is needed (there is no terminal to ask at); see 'motionlimits motors list'")
    from .files.new import matching_motors
    from .show import tables

    frame = typer.prompt("Motor frame size (side of the face in inches times ten: 42 mm is 17)?", default=17, type=int)
    rated = typer.prompt("Rated current on the motor's label, A?", default=1.5, type=float)
    found = matching_motors(frame=frame, current=rated)[:5] or matching_motors(current=rated)[:5]
    print(tables.motors_table(found))
    return str(typer.prompt("Which of these comes nearest to the label?", default=found[0].name))


def _ask_axes() -> list[tuple[str, float, float, float | None]]:
    if not sys.stdin.isatty():
        raise InputError("--axis is needed (there is no terminal to ask at), for example --axis x,0.4,300,4")
    found: list[tuple[str, float, float, float | None]] = []
    for name in ("x", "y"):
        mass = typer.prompt(f"All that moves along {name}, kg (kitchen scale)?", default=0.5, type=float)
        travel = typer.prompt(f"Travel of {name}, mm?", default=300.0, type=float)
        force = typer.prompt(
            f"Force to pull the carriage along {name}, motors off, N (0: not known)?", default=0.0, type=float
        )
        found.append((name, mass, travel, force or None))
    return found


def _axis(text: str) -> tuple[str, float, float, float | None]:
    parts = [part.strip() for part in text.split(",")]
    try:
        numbers = [float(part) for part in parts[1:]]
    except ValueError:
        numbers = []
    if not parts[0] or len(numbers) not in (2, 3):
        raise InputError(f"--axis {text[:60]}: write name,kg,mm or name,kg,mm,N, for example x,0.4,300,4")
    return parts[0], numbers[0], numbers[1], numbers[2] if len(numbers) == 3 else None


@motors_app.command("list")
@_answers
def motors_list(
    frame: Annotated[int | None, typer.Option(help="Only this frame size.", show_default=False)] = None,
    current: Annotated[
        float | None, typer.Option(help="Only motors rated within 20 % of this current, A.", show_default=False)
    ] = None,
    as_json: AsJson = False,
) -> None:
    """The motors that a machine file can name."""
    from .files.motors import load_motor, motor_names
    from .show import json as show_json
    from .show import tables

    motors = [load_motor(name)[0] for name in motor_names()]
    motors = sorted((m for m in motors if frame in (None, m.frame)), key=lambda m: (m.frame, m.name))
    if current is not None:
        motors = [m for m in motors if abs(m.rated_current - current) <= 0.2 * current]
    if not motors:
        wanted = [f"of frame size {frame}" if frame else "", f"rated about {current:g} A" if current else ""]
        raise InputError(f"no motor {' '.join(part for part in wanted if part)}")
    if as_json:
        _say_json({"motors": [show_json.motor_dict(motor) for motor in motors]})
    else:
        _say(f"{len(motors)} motors, values typical of their size, from memory.", tables.motors_table(motors))


@motors_app.command("show")
@_answers
def motors_show(
    name: Annotated[str, typer.Argument(help="Name of a motor, or path of a motor file.", show_default=False)],
    as_json: AsJson = False,
) -> None:
    """One motor as its file has it, with its corner speed at usual supply voltages and rated current."""
    from .answers.motors import corner_speeds
    from .files.motors import load_motor, write_motor
    from .show import json as show_json

    motor, _ = load_motor(name)
    corners = corner_speeds(motor)
    if as_json:
        _say_json(show_json.motor_dict(motor) | {"corner_rev_s": {f"{v:g}": s for v, s in corners}})
        return
    told = ", ".join(f"{s:.1f} rev/s at {v:g} V" for v, s in corners)
    _say(
        f"Motor {motor.name}: torque constant {motor.torque_constant:.3f} N.m/A, electrical time constant "
        f"{motor.inductance / motor.resistance * 1e3:.2f} ms; at its rated current it keeps full torque up to {told}.",
        write_motor(motor).rstrip(),
    )


@motors_app.command("fit")
@_answers
def motors_fit(
    curve: Annotated[
        Path, typer.Argument(help="Published torque curve (CSV: speed_rev_s,torque_nm).", show_default=False)
    ],
    motor: Annotated[str, typer.Option(help="Motor file or name to start from.", show_default=False)],
    voltage: Annotated[float, typer.Option(help="Supply voltage of the published curve, V.", show_default=False)],
    current_rms: Annotated[
        float, typer.Option("--current-rms", help="Current of the published curve, A rms.", show_default=False)
    ],
    name: Annotated[str, typer.Option(help="Name of the fitted motor.")] = "fitted",
    output: Annotated[Path | None, typer.Option(help="Write the fitted motor file.", show_default=False)] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite a file that exists.")] = False,
    as_json: AsJson = False,
) -> None:
    """Fit inductance, iron losses and holding torque of a motor to a published torque curve.

    A data sheet's pull-out curve at a stated voltage and current says more than its label: the fit is by least squares,
    and what is left over is shown.
    """
    from .answers.motors import fit_motor
    from .files.motors import load_motor, read_torque_curve, write_motor
    from .show import json as show_json
    from .show import tables

    _may_write(output, force)
    speeds, torques = read_torque_curve(curve)
    fit = fit_motor(load_motor(motor)[0], speeds, torques, voltage, current_rms, name)
    _write(output, lambda: write_motor(fit.motor))
    if as_json:
        _say_json(show_json.fit_dict(fit))
        return
    _say(
        f"Fitted {len(speeds)} points: inductance {fit.motor.inductance * 1e3:.2f} mH, holding torque "
        f"{fit.motor.holding_torque:.3f} N.m, left over {fit.rms:.4f} N.m rms ({fit.rms / max(torques):.1%} of the "
        "largest).",
        tables.fit_table(fit),
        write_motor(fit.motor).rstrip(),
    )


def main() -> None:
    """Entry point of the console script."""
    # The work is spread over processes: threads of numpy's linear algebra would be in their way. Set before it is loaded.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(130)
