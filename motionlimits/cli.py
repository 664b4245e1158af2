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
    """Bad input ends with one message and exit code 2."""
    import functools

    @functools.wraps(function)
    def wrapped(*args: Any, **kwargs: Any) -> None:
        try:
            function(*args, **kwargs)
        except InputError as problem:
            _fail(str(problem))

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
    verbose: Annotated[bool, typer.Option("--verbose", help="Also priors and fit of every cause.")] = False,
    quick: Quick = False,
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

    With a sweep file: diagnose MACHINE SWEEP. Without one, for a single limit:
    diagnose MACHINE --direction x --acceleration 3000 --passed 150 --skipped 160
    """
    from .answers.diagnose import diagnose as answer
    from .answers.diagnose import quick_rows
    from .files.evidence import read_evidence
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
    with _progress() as progress:
        result = answer(described, rows, readings, quick=quick, progress=progress)
    if as_json:
        _say_json(show_json.diagnosis_dict(result))
    else:
        _warn(result.warnings)
        known = result.inference is not None
        checks = "\n".join(f"{k}. {words.check_words(c)}" for k, c in enumerate(result.checks, 1))
        _say(
            words.diagnosis_words(result),
            "\n".join(f"Note: {remark}." for remark in result.remarks),
            tables.agreement_table(result),
            tables.causes_table(result) if known else "",
            f"Measure next:\n{checks}" if checks else "",
            result.swap,
            tables.priors_table(result) if verbose and known else "",
            words.assumed_words(described),
            f"Caution: {words.CAUTIONS_CHECK}" if known else "",
        )
    if fail_on_mismatch and result.mismatch:
        raise typer.Exit(1)


@motors_app.command("list")
@_answers
def motors_list(
    frame: Annotated[int | None, typer.Option(help="Only this frame size.", show_default=False)] = None,
    as_json: AsJson = False,
) -> None:
    """The motors that a machine file can name."""
    from .files.motors import load_motor, motor_names
    from .show import json as show_json
    from .show import tables

    motors = [load_motor(name)[0] for name in motor_names()]
    motors = sorted((m for m in motors if frame in (None, m.frame)), key=lambda m: (m.frame, m.name))
    if not motors:
        raise InputError(f"no motor of frame size {frame}")
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
    """One motor as its file has it."""
    from .files.motors import load_motor, write_motor
    from .show import json as show_json

    motor, _ = load_motor(name)
    if as_json:
        _say_json(show_json.motor_dict(motor))
    else:
        _say(
            f"Motor {motor.name}: torque constant {motor.torque_constant:.3f} N.m/A.",
            write_motor(motor).rstrip(),
        )


def main() -> None:
    """Entry point of the console script."""
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        # The reader of a pipe has gone: end quietly, and keep Python from complaining on closing the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
