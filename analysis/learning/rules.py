"""Rules of thumb as data: what from what, in which form, where valid, which default and why.

Comes in: nothing. Goes out: the default rules, and the records they are fitted from
(:class:`Observation`, :class:`Acceptance`). Must not: compute a fit (``rule_fit``) or decide
a planning number (``guard_rails``).

Two forms:

``ratio``
    measured = constant × reference, scatter normal on the log scale.
``slope``
    (measured − W) = constant × (W − lift), scatter in proportion to the *estimated* weight.
    The estimate only scales; W, measured once, stands on both sides but never as a
    denominator, which would bias the constant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from analysis.learning.hierarchy import Prior, Side

Form = Literal["ratio", "slope"]
Reference = Literal["predicted", "estimate", "guess", "one"]
GroupKey = Literal["method", "species_group", "guess_by", "crew", "block"]
Quantity = Literal[
    "hang_weight_n", "peak_n", "dynamic_factor", "release_peak_n", "tip_share",
    "block_efficiency", "block_efficiency_drop",
]  # fmt: skip

HANG_WEIGHT: Final = "hang_weight_n"
PRETENSION_LIFT: Final = "pretension_lift_n"
LEAD: Final = "lead_n"


@dataclass(frozen=True, slots=True)
class Observation:
    """One quantity of one lowering beside what was said of it before the cut.

    Parameters
    ----------
    lowering : str
        Identification of the lowering, unique within the logbooks read together.
    job, crew, method, species_group : str
        What it belongs to; crew is a pseudonym.
    quantity : str
        What was measured; its name ends in its unit (ratios have none).
    measured : float
        Measured value in that unit.
    measured_is_lower_bound : bool
        The converter was at its limit: the true value is at least this.
    predicted : float or None
        Median of the prediction stored before the lowering, same unit and station.
    estimate : float or None
        Computed weight of the piece before the cut, newtons.
    guess : float or None
        A person's own guess of the weight, newtons, by ``guess_by``.
    x : mapping of str to float
        What the rule's range is in and what a slope needs, SI, unit in the name.
    excluded_reason : str
        Why it may not calibrate a rule; empty when it may.
    date : str
        ISO date of the lowering.
    block : str
        Name of the high block, where one was measured.
    """

    lowering: str
    job: str
    crew: str
    method: str
    species_group: str
    quantity: Quantity
    measured: float
    measured_is_lower_bound: bool = False
    predicted: float | None = None
    estimate: float | None = None
    guess: float | None = None
    guess_by: str = ""
    x: Mapping[str, float] = field(default_factory=dict)
    excluded_reason: str = ""
    date: str = ""
    block: str = ""


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A named person accepts a planning number of one rule and group, on record."""

    rule: str
    group: str
    number: float
    by: str
    date: str


@dataclass(frozen=True, slots=True)
class Range:
    """Validity range of a rule in one of an observation's ``x`` values."""

    name: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule of thumb as data.

    Parameters
    ----------
    name, title : str
        Key, and what a person reads.
    quantity : str
        Which observations it is about.
    what, from_what : str
        In words.
    form : {"ratio", "slope"}
        See the module's docstring.
    reference : {"predicted", "estimate", "guess", "one"}
        What a ratio multiplies.
    group_by : str
        Attribute of an observation that makes the groups pooled with each other.
    ranges : mapping of str to Range
        Validity range per method; the key ``""`` serves methods not named. A method
        without one is not served.
    default : float
        Constant before any measurement.
    default_origin : str
        Where the default comes from, with [M] or "no source" where that is so.
    prior : Prior
        Centred on the default, on the scale of the fit (log for a ratio).
    adverse : {"high", "low"}
        Side on which a wrong constant hurts; the planning number is guarded towards it.
    other_side : str
        What a constant wrong on the other side hurts; empty when it hurts nothing.
    """

    name: str
    title: str
    quantity: Quantity
    what: str
    from_what: str
    form: Form
    reference: Reference
    group_by: GroupKey
    ranges: Mapping[str, Range]
    default: float
    default_origin: str
    prior: Prior
    adverse: Side = "high"
    other_side: str = ""

    def range_for(self, method: str) -> Range | None:
        """Range that serves a method, None when the rule does not.

        Examples
        --------
        >>> default_rule("peak").range_for("snubbed_drop").name
        'fall_over_rope'
        """
        return self.ranges.get(method, self.ranges.get(""))


_ALL_WEIGHTS: Final = {"": Range("estimate_n", 20.0, 60_000.0)}
_ALL_GUESSES: Final = {"": Range("guess_n", 20.0, 60_000.0)}
_DROPS: Final = {
    "snubbed_drop": Range("fall_over_rope", 0.0, 2.0),
    "let_run_drop": Range("fall_over_run", 0.0, 5.0),
}
_RELEASES: Final = {
    "butt_tied": Range("share_carried", 0.0, 1.5),
    "tip_tied": Range("share_carried", 0.0, 1.5),
    "span_rig": Range("share_carried", 0.0, 1.5),
}
_ALL_LEADS: Final = {"": Range(LEAD, 20.0, 60_000.0)}
_HIGH_EFFICIENCY: Final = "a high efficiency loads hand, device and the block's sling more"
_CLOSED_FORM = (
    "the stored prediction's closed form as it is, undamped for drops; such forms read up to "
    "30 % low at high fall factors (Weber 2002, abstract) and static stiffness gives 0.73 of "
    "the rated peak"
)

RULES: Final[tuple[Rule, ...]] = (
    Rule(
        name="weight",
        title="Weight rule",
        quantity="hang_weight_n",
        what="hang weight",
        from_what="computed weight (species, length, diameters)",
        form="ratio",
        reference="estimate",
        group_by="species_group",
        ranges=_ALL_WEIGHTS,
        default=1.0,
        default_origin="computed weight taken as it is; green density varies by about 10 % "
        "(Wood Handbook's figure for specific gravity)",
        prior=Prior(0.0, 0.15, 0.10, 0.05, 0.12),
    ),
    Rule(
        name="guess",
        title="Guess rule",
        quantity="hang_weight_n",
        what="hang weight",
        from_what="a person's own guess",
        form="ratio",
        reference="guess",
        group_by="guess_by",
        ranges=_ALL_GUESSES,
        default=1.0,
        default_origin="a guess taken at its word; no source",
        prior=Prior(0.0, 0.30, 0.20, 0.05, 0.20),
    ),
    Rule(
        name="peak",
        title="Peak rule",
        quantity="peak_n",
        what="peak at the station",
        from_what="median of the prediction stored before the cut",
        form="ratio",
        reference="predicted",
        group_by="method",
        ranges={**_DROPS, **_RELEASES, "swing": Range("angle_rad", 0.0, 1.6)},
        default=1.0,
        default_origin="the stored prediction taken as it is (physics of the method)",
        prior=Prior(0.0, 0.25, 0.15, 0.05, 0.12),
    ),
    Rule(
        name="dynamic_factor",
        title="Dynamic factor rule",
        quantity="dynamic_factor",
        what="peak over hang weight",
        from_what="the same ratio of the prediction stored before the cut",
        form="ratio",
        reference="predicted",
        group_by="method",
        ranges={**_DROPS, **_RELEASES, "swing": Range("angle_rad", 0.0, 1.6)},
        default=1.0,
        default_origin=_CLOSED_FORM,
        prior=Prior(0.0, 0.25, 0.15, 0.05, 0.12),
    ),
    Rule(
        name="pretension",
        title="Pretension rule",
        quantity="release_peak_n",
        what="release peak above the weight",
        from_what="weight not yet carried by the pretension",
        form="slope",
        reference="one",
        group_by="method",
        ranges={method: Range("share_carried", 0.0, 0.95) for method in _RELEASES},
        default=0.744,
        default_origin="Kelvin-Voigt release of a central lift at damping ratio 0.1: "
        "exp[-z(pi - 2 asin z)/sqrt(1 - z^2)]",
        prior=Prior(0.744, 0.15, 0.08, 0.04, 0.10),
    ),
    Rule(
        name="tip",
        title="Tip rule",
        quantity="tip_share",
        what="share carried when the tip moved",
        from_what="the mark 'tip moved'",
        form="ratio",
        reference="one",
        group_by="method",
        ranges={method: Range("estimate_n", 20.0, 60_000.0) for method in _RELEASES},
        default=0.8,
        default_origin="'most of the weight is in when the tip lifts': common practice, no "
        "source; two computed limbs give 0.49 and 1.27",
        prior=Prior(-0.2231, 0.40, 0.20, 0.08, 0.20),
        adverse="low",
    ),
    Rule(
        name="block",
        title="Block rule",
        quantity="block_efficiency",
        what="efficiency of the high block for a wrap of 180°, raising and lowering slowly",
        from_what="lead over fall, read by two cells both ways",
        form="ratio",
        reference="one",
        group_by="block",
        ranges=_ALL_LEADS,
        default=0.90,
        default_origin="sheaves of fibre tackle lose 2 to 10 % each (Toss, The Rigger's "
        "Apprentice); the careful end of that, which a rig without a figure gets too",
        prior=Prior(-0.1054, 0.06, 0.04, 0.02, 0.03),
        adverse="low",
        other_side=_HIGH_EFFICIENCY,
    ),
    Rule(
        name="block_drop",
        title="Block rule, drops",
        quantity="block_efficiency_drop",
        what="efficiency of the high block for a wrap of 180°, in a first drop",
        from_what="lead over fall, read by two cells, their calibrations taken out",
        form="ratio",
        reference="one",
        group_by="block",
        ranges=_ALL_LEADS,
        default=0.90,
        default_origin="that of slow raising, for want of one of its own: lead over fall differs "
        "between raising, lowering and drops (Kane 2019, abstract)",
        prior=Prior(-0.1054, 0.10, 0.06, 0.03, 0.04),
        adverse="low",
        other_side=_HIGH_EFFICIENCY,
    ),
)


def default_rule(name: str) -> Rule:
    """Rule of that name.

    Parameters
    ----------
    name : str
        Key of one of :data:`RULES`.

    Returns
    -------
    Rule

    Raises
    ------
    KeyError
        No such rule; the message lists those there are.

    Examples
    --------
    >>> default_rule("pretension").default
    0.744
    """
    for rule in RULES:
        if rule.name == name:
            return rule
    raise KeyError(f"no rule {name!r}; there are {', '.join(rule.name for rule in RULES)}")
