"""A scenario file: what the hidden world does, lowering by lowering.

Comes in: TOML. Goes out: frozen tables with every number in SI. Must not: compute.

A scenario holds either ``[[lowering]]`` tables or one ``[signal]``. Tables named
``measured`` say what a climber would measure; the world never looks at them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from importlib import resources
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args

Method = Literal["butt_tied", "tip_tied", "span_rig", "snubbed_drop", "let_run_drop", "swing"]
StationName = Literal["piece", "lead", "fall", "standing", "high_block"]
SignalKind = Literal["constant", "sine", "ramp", "counter", "csv"]


class ScenarioError(ValueError):
    """A scenario with a missing, unknown or unusable key."""


@dataclass(frozen=True, slots=True)
class Body:
    """The piece: radius of gyration, and where the rope takes it seen from its centre of mass.

    ``attach_along_m`` is the off-centre lift, ``attach_above_m`` the height of the tie.
    """

    gyration_m: float = 1.0
    attach_along_m: float = 0.0
    attach_above_m: float = 0.0


@dataclass(frozen=True, slots=True)
class RopeTable:
    """The rope; see ``RopeCurve``."""

    stiffness_n: float = 60_000.0
    stiffening: float = 0.0
    viscosity_s: float = 0.0


@dataclass(frozen=True, slots=True)
class RigTable:
    """Geometry and blocks. The block on the stem is the origin, z up.

    ``span_m`` and ``end_below_m`` place the far anchor, ``piece_x_m`` and
    ``piece_below_m`` the block on the piece before the release (span rig only).
    Efficiencies: see ``Sheave``; ``piece_efficiency`` belongs to the block on the piece.
    """

    lead_m: float = 3.0
    fall_m: float = 8.0
    span_m: float = 0.0
    end_below_m: float = 0.0
    piece_x_m: float = 0.0
    piece_below_m: float = 0.0
    efficiency: float = 1.0
    light_efficiency: float = 1.0
    piece_efficiency: float = 1.0
    piece_light_efficiency: float = 1.0
    scale_n: float = 1000.0


@dataclass(frozen=True, slots=True)
class PretensionTable:
    """Tensioning on the hinge, read at the piece: strokes, pawl fall-backs, creep.

    ``force_n`` is the settled vertical force at the release.
    """

    force_n: float = 0.0
    strokes: int = 4
    stroke_s: float = 0.4
    fall_back: float = 0.12
    creep: float = 0.02
    settle_s: float = 0.8


@dataclass(frozen=True, slots=True)
class ReleaseTable:
    """How the piece comes free.

    ``hinge_s`` is the time over which the hinge gives way; ``fall_m`` the free fall of the
    centre of mass before the rope takes load; ``angle_rad`` the rope from plumb.
    """

    hinge_s: float = 0.0
    fall_m: float = 0.0
    angle_rad: float = 0.0
    initial_n: float = 0.0


@dataclass(frozen=True, slots=True)
class DragTable:
    """What stills the piece: brush in the air, and from ``tag_after_s`` on the tag line.

    ``tag_pull_n`` is the steady pull of a tight tag line at the centre of mass, sideways
    and ``tag_below_rad`` below level.
    """

    side_n_s_per_m: float = 0.0
    spin_n_m_s: float = 0.0
    tag_n_s_per_m: float = 0.0
    tag_after_s: float = 0.0
    tag_pull_n: float = 0.0
    tag_below_rad: float = 0.785


@dataclass(frozen=True, slots=True)
class RunTable:
    """Let-run: the hand holds ``drag_n`` in the fall, then ``brake_n`` after its reaction.

    ``unsteady`` is how much the braking force wavers, relative.
    """

    drag_n: float = 0.0
    brake_n: float = 0.0
    reaction_s: float = 0.35
    ramp_s: float = 0.2
    unsteady: float = 0.0


@dataclass(frozen=True, slots=True)
class DownTable:
    """The lowering after the hang: ``after_s`` from the release, ``drop_m`` to the ground.

    ``speed_m_per_s`` is that of the rope at the device; ``jerk`` its relative unsteadiness;
    it is reached after ``ramp_s``. Tip first: brush gives way over the last ``brush_m`` and
    then bears ``brush_share`` of the weight.
    """

    after_s: float = 3.0
    drop_m: float = 0.6
    speed_m_per_s: float = 1.0
    jerk: float = 0.05
    jerk_hz: float = 2.5
    ramp_s: float = 0.4
    brush_m: float = 0.0
    brush_share: float = 0.0


@dataclass(frozen=True, slots=True)
class TouchTable:
    """A touch on the way down (stem, roof): something bears ``share`` of the weight for a time.

    It is met ``after_m`` below the hang and slips off after ``hold_s``.
    """

    share: float = 0.0
    after_m: float = 0.2
    hold_s: float = 0.3


@dataclass(frozen=True, slots=True)
class Lowering:
    """One lowering of the scenario. ``weight_n`` is the true weight, hidden from everyone."""

    name: str
    method: Method
    weight_n: float
    piece: str = ""
    body: Body = Body()
    rope: RopeTable = RopeTable()
    rig: RigTable = RigTable()
    pretension: PretensionTable = PretensionTable()
    release: ReleaseTable = ReleaseTable()
    drag: DragTable = DragTable()
    run: RunTable = RunTable()
    down: DownTable = DownTable()
    touch: TouchTable = TouchTable()
    measured: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Signal:
    """A plain signal for tests: no world behind it.

    ``ramp`` rises from ``level_n`` by ``amplitude_n`` each ``period_s`` and starts over;
    ``counter`` makes the device send the sample's own index as counts, without noise;
    ``csv`` plays ``time_s,force_n`` from ``path``.
    """

    kind: SignalKind
    level_n: float = 0.0
    amplitude_n: float = 0.0
    period_s: float = 1.0
    path: str = ""


@dataclass(frozen=True, slots=True)
class Timing:
    """Quiet times around the lowerings, the world's step, and where the cell sits.

    ``quiet_between_s`` is the time with a slack rope from one lowering to the next.
    """

    title: str = ""
    station: StationName = "piece"
    quiet_start_s: float = 1.0
    quiet_between_s: float = 2.2
    quiet_end_s: float = 2.2
    step_s: float = 0.0005
    repeat: int = 1


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole scenario."""

    scenario: Timing = Timing()
    lowering: tuple[Lowering, ...] = ()
    signal: Signal | None = None


T = TypeVar("T")

_TABLES: dict[str, type[Any]] = {
    "body": Body,
    "rope": RopeTable,
    "rig": RigTable,
    "pretension": PretensionTable,
    "release": ReleaseTable,
    "drag": DragTable,
    "run": RunTable,
    "down": DownTable,
    "touch": TouchTable,
    "scenario": Timing,
    "signal": Signal,
}
_CHOICES: dict[str, tuple[str, ...]] = {
    "method": get_args(Method),
    "station": get_args(StationName),
    "kind": get_args(SignalKind),
}


def _scalar(key: str, value: Any, kind: str, where: str) -> Any:
    wants_number, wants_int = kind == "float", kind == "int"
    if isinstance(value, bool) or (wants_number and not isinstance(value, (int, float))):
        raise ScenarioError(f"{where}{key}: expected a number, found {value!r}")
    if wants_int and not isinstance(value, int):
        raise ScenarioError(f"{where}{key}: expected a whole number, found {value!r}")
    if key in _CHOICES and value not in _CHOICES[key]:
        known = ", ".join(_CHOICES[key])
        raise ScenarioError(f"{where}{key}: expected one of {known}, found {value!r}")
    if not (wants_number or wants_int) and not isinstance(value, str):
        raise ScenarioError(f"{where}{key}: expected text, found {value!r}")
    return float(value) if wants_number else value


def _value(key: str, value: Any, kind: str, where: str) -> Any:
    if key == "measured":
        return value
    if key == "lowering":
        return tuple(build(Lowering, v, f"lowering[{i}].") for i, v in enumerate(value))
    if key in _TABLES:
        return build(_TABLES[key], value, f"{where}{key}.")
    return _scalar(key, value, kind, where)


def build(table: type[T], found: Any, where: str = "") -> T:
    """Make a table from parsed TOML.

    Raises
    ------
    ScenarioError
        Unknown or missing key, or a value of the wrong kind; the message names the key.
    """
    if not isinstance(found, dict):
        raise ScenarioError(f"{where.rstrip('.')}: expected a table, found {found!r}")
    known = {f.name: f for f in fields(table)}  # type: ignore[arg-type]
    for key in found:
        if key not in known:
            raise ScenarioError(f"{where}{key}: unknown key; known here: {', '.join(known)}")
    for name, spec in known.items():
        required = spec.default is MISSING and spec.default_factory is MISSING
        if required and name not in found:
            raise ScenarioError(f"{where}{name}: missing")
    return table(**{k: _value(k, v, str(known[k].type), where) for k, v in found.items()})


def parse_scenario(text: str, where: str = "scenario") -> Scenario:
    """Read a scenario from TOML text.

    Raises
    ------
    ScenarioError
        Not TOML, or a key that does not fit.
    """
    try:
        scenario = build(Scenario, tomllib.loads(text))
    except (tomllib.TOMLDecodeError, ScenarioError) as error:
        raise ScenarioError(f"{where}: {error}") from error
    if bool(scenario.lowering) == (scenario.signal is not None):
        raise ScenarioError(f"{where}: expected either [[lowering]] tables or one [signal]")
    return scenario


def load_scenario(name: str) -> Scenario:
    """Read a scenario file, or the shipped one under the name ``demo``.

    Raises
    ------
    ScenarioError
        No such file, or it does not parse.
    """
    if name == "demo":
        text = resources.files("logger.simcell").joinpath("demo.toml").read_text("utf-8")
        return parse_scenario(text, "demo.toml")
    try:
        text = Path(name).read_text("utf-8")
    except OSError as error:
        raise ScenarioError(f"{name}: {error.strerror}; give a scenario file or 'demo'") from error
    except UnicodeDecodeError as error:
        raise ScenarioError(f"{name}: no UTF-8 text; give a scenario file or 'demo'") from error
    return parse_scenario(text, name)
