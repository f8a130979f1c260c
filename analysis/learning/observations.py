"""What a reviewed lowering says for each rule of thumb, or why it may not say anything.

Comes in: a :class:`~analysis.learning.review.Review` and when the mark 'tip moved' was
made. Goes out: an :class:`Observed`: observations by rule, the pair to score, the weights
to score. Must not: read logbooks, predict again (only the prediction stored before the load
came on counts), or leave a lowering out for being far off.

A peak at the converter's limit stays in, as a lower bound. What spoils a number leaves the
lowering out of the rules that need that number, with the reason in words.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from analysis.learning.block_friction import said_of_block
from analysis.learning.review import LATE_PHASES, Review
from analysis.learning.rules import HANG_WEIGHT, PRETENSION_LIFT, Observation, Quantity
from analysis.learning.scored import Judged, Scored
from analysis.predicting.methods_drop import REACTION_S
from analysis.predicting.wood import find_species
from analysis.reading.features import Features

RELEASES: Final = frozenset({"butt_tied", "tip_tied", "span_rig"})
"""Methods in which a hinge hands the piece over to a rope that was winched up before."""

DISCARDED: Final = "discarded"
NOT_TIED: Final = "not tied to a piece"
NO_PREDICTION: Final = "no prediction was stored before the load came on"
NO_GUESS: Final = "the guess was written after the load came on"
OTHER_STATION: Final = "the cell was not at the station that was predicted"
INDIRECT: Final = "the cell reads the piece's load only through friction"
NO_HANG: Final = "no hang was found"
NO_RELEASE: Final = "no release peak stands out"
NO_PRETENSION: Final = "the pretension never settled before the release"
GAP_IN_PEAK: Final = "samples are missing around the peak"
TOO_COARSE: Final = "too few samples over the peak"
PRETENSION_LARGEST: Final = "the pretension was the largest force"
NO_LOAD: Final = "nothing was loaded when the mark was made"

_SURE_SHARE: Final = 0.05
"""Own choice: half the scatter of green density (CV about 10 %) as U is sure enough."""
_LEAST_SHARE: Final = 0.02
"""Below this share of the weight a rope counts as slack."""
_TOUCHING: Final = {
    "tag_line_tight": "the tag line was tight",
    "touched": "the piece touched something",
}
_STILL: Final = {"no_hang": NO_HANG, "hang_not_still": "the piece was not hanging still"}


@dataclass(frozen=True, slots=True)
class Observed:
    """All that one lowering says.

    Parameters
    ----------
    lowering, job, crew, method, piece : str
        What it belongs to; empty where not tied.
    observations : mapping of str to tuple of Observation
        By rule; those that may not calibrate one say why.
    scored : Scored or None
        None where the peak may not be compared.
    judged : Judged or None
        None where the weight may not be compared.
    """

    lowering: str
    job: str
    crew: str
    method: str
    piece: str
    observations: Mapping[str, tuple[Observation, ...]] = field(default_factory=dict)
    scored: Scored | None = None
    judged: Judged | None = None

    @property
    def tied(self) -> bool:
        """Whether the lowering belongs to a piece."""
        return bool(self.piece)


def observe(review: Review, lowering: str, tip_moved_s: Sequence[float] = ()) -> Observed:
    """Turn a reviewed lowering into observations.

    Parameters
    ----------
    review : Review
        Measured beside the stored prediction.
    lowering : str
        Identification, unique within the logbooks read together.
    tip_moved_s : sequence of float
        Seconds of the trace at which 'tip moved' was marked.

    Returns
    -------
    Observed
        Without observations where the lowering is not tied to a piece.
    """
    return _Lowering(review, lowering).observed(tip_moved_s)


@dataclass(frozen=True, slots=True)
class _Lowering:
    review: Review
    name: str

    @property
    def features(self) -> Features:
        return self.review.features

    @property
    def stored(self) -> Mapping[str, Any]:
        """The prediction stored before the load came on; empty without one."""
        made = self.review.source.prediction
        return made.result if made is not None and made.made_before else {}

    @property
    def inputs(self) -> Mapping[str, Any]:
        made = self.review.source.prediction
        return made.inputs if made is not None and made.made_before else {}

    @property
    def estimate_n(self) -> float | None:
        return float(self.stored["weight"]["weight_n"]) if self.stored else None

    @property
    def method(self) -> str:
        rig = self.review.source.rig
        return str(self.stored.get("method", rig.method if rig is not None else ""))

    @property
    def clipped(self) -> bool:
        return "clipped" in self.features.flags

    def flagged(self, words: Mapping[str, str]) -> str:
        """First of these flags that is raised, in words."""
        return next((text for flag, text in words.items() if flag in self.features.flags), "")

    def why_not_at_all(self) -> str:
        tag = self.review.source.tag
        if tag.discarded:
            return f"{DISCARDED}: {tag.discard_reason}" if tag.discard_reason else DISCARDED
        return self.flagged(_TOUCHING)

    def why_no_prediction(self) -> str:
        return self.why_not_at_all() or ("" if self.stored else NO_PREDICTION)

    def why_no_weight(self) -> str:
        """Whatever the station: a followed motion knows which way each sheave turned."""
        return self.why_not_at_all() if self.motion_tells else self.why_no_level()

    @property
    def motion_tells(self) -> bool:
        """Whether the weight comes from the followed motion, and surely enough to learn from."""
        weight_n, u_n = self.features.hang_weight_n, self.features.hang_weight_n_u
        if self.features.hang_weight_by != "motion" or weight_n is None or u_n is None:
            return False
        return u_n < _SURE_SHARE * weight_n

    def why_no_level(self) -> str:
        """As a still hang, read at the piece."""
        source = self.review.source
        chain = source.trace.chain
        if reason := self.why_not_at_all() or self.flagged(_STILL):
            return reason
        if source.rig is not None and not source.at_main:
            return OTHER_STATION
        if self.features.hang_weight_n is None or not self.features.hang_weight_n > 0:
            return NO_HANG
        return INDIRECT if (chain.gain, chain.gain_rel_u) != (1.0, 0.0) else ""

    def why_no_peak(self) -> str:
        features = self.features
        spoilt = {"gap_in_peak": GAP_IN_PEAK, "rate_too_low": TOO_COARSE}
        if reason := self.why_no_prediction() or self.flagged(spoilt):
            return reason
        if features.peak_phase in LATE_PHASES and features.release_peak_n is None:
            return NO_RELEASE
        return "" if self.review.comparison is not None else OTHER_STATION

    def why_no_factor(self) -> str:
        if reason := self.why_no_peak() or self.flagged(_STILL):
            return reason
        if self.features.peak_phase == "pretension":
            return PRETENSION_LARGEST
        return NO_RELEASE if self.features.dynamic_factor is None else ""

    def why_no_pretension(self) -> str:
        features = self.features
        if reason := self.why_no_level() or self.why_no_prediction():
            return reason
        if features.release_peak_n is None:
            return NO_RELEASE
        if features.pretension_settled_n is None:
            return NO_PRETENSION
        spoilt = {"gap_in_peak": GAP_IN_PEAK, "rate_too_low": TOO_COARSE}
        return self.flagged(spoilt)

    def observed(self, tip_moved_s: Sequence[float]) -> Observed:
        source = self.review.source
        job = source.job
        if self.review.piece is None:
            return Observed(self.name, source.tag.job, job.crew if job else "", "", "")
        found = {
            "weight": (self.weight(),),
            "guess": self.guesses(),
            "peak": (self.peak(),),
            "dynamic_factor": (self.factor(),),
            "pretension": (self.pretension(),) if self.method in RELEASES else (),
            "tip": tuple(self.tip(at_s) for at_s in tip_moved_s)[-1:],
            "block": self.block("block_efficiency"),
            "block_drop": self.block("block_efficiency_drop"),
        }
        return Observed(
            lowering=self.name,
            job=source.tag.job,
            crew=job.crew if job else "",
            method=self.method,
            piece=self.review.piece,
            observations=found,
            scored=self.scored(),
            judged=self.judged(),
        )

    def observation(
        self, quantity: Quantity, measured: float | None, reason: str, **more: Any
    ) -> Observation:
        source = self.review.source
        usable = measured is not None and not reason
        return Observation(
            lowering=self.name,
            job=source.tag.job,
            crew=source.job.crew if source.job is not None else "",
            method=self.method,
            species_group=self.species_group(),
            quantity=quantity,
            measured=measured if usable and measured is not None else 0.0,
            excluded_reason="" if usable else reason or "not measured",
            date=self.date(),
            **more,
        )

    def date(self) -> str:
        start_s = self.review.source.start_wall_ns / 1e9
        return dt.datetime.fromtimestamp(start_s, dt.UTC).date().isoformat()

    def species_group(self) -> str:
        """Name the listed species, or as written; a piece that is not green is another group."""
        piece = self.inputs.get("piece", {})
        written = str(piece.get("species", ""))
        listed = find_species(written) if written else None
        name = listed.common if listed is not None else written.lower() or "species not given"
        condition = str(piece.get("condition", "green")).replace("_", " ")
        return name if condition == "green" else f"{name}, {condition}"

    def weight(self) -> Observation:
        return self.observation(
            "hang_weight_n",
            self.features.hang_weight_n,
            self.why_no_weight() or self.why_no_prediction(),
            estimate=self.estimate_n,
        )

    def guesses(self) -> tuple[Observation, ...]:
        reason = self.why_no_weight()
        return tuple(
            self.observation(
                "hang_weight_n",
                self.features.hang_weight_n,
                reason or ("" if guess.made_before else NO_GUESS),
                guess=guess.weight_n,
                guess_by=guess.by,
            )
            for guess in self.review.source.guesses
            if guess.weight_n is not None
        )

    def peak(self) -> Observation:
        compared, comparison = self.review.compared, self.review.comparison
        return self.observation(
            "peak_n",
            compared.force_n if compared is not None else None,
            self.why_no_peak(),
            measured_is_lower_bound=self.clipped,
            predicted=comparison.predicted_n if comparison is not None else None,
            estimate=self.estimate_n,
            x=self.place(),
        )

    def factor(self) -> Observation:
        """Peak over hang, both at the station, beside the same ratio of the stored medians."""
        reason = self.why_no_factor()
        predicted = None
        if not reason:
            predicted = self.stored["peak_n"]["p50"] / self.stored["hang_reading_n"]["p50"]
        return self.observation(
            "dynamic_factor",
            self.features.dynamic_factor,
            reason,
            measured_is_lower_bound=self.clipped,
            predicted=predicted,
            estimate=self.estimate_n,
            x=self.place(),
        )

    def pretension(self) -> Observation:
        features, reason = self.features, self.why_no_pretension()
        x: dict[str, float] = {}
        weight_n, lift_n = features.hang_weight_n, features.pretension_settled_n
        if not reason and weight_n is not None and lift_n is not None:
            x = {
                HANG_WEIGHT: weight_n,
                PRETENSION_LIFT: lift_n,
                "share_carried": lift_n / weight_n,
            }
        return self.observation(
            "release_peak_n",
            features.release_peak_n,
            reason,
            measured_is_lower_bound=self.clipped,
            estimate=self.estimate_n,
            x=x,
        )

    def tip(self, at_s: float) -> Observation:
        """Share carried a reaction time before the key was pressed."""
        reason, share = self.why_no_level(), None
        weight_n = self.features.hang_weight_n
        if not reason and weight_n is not None:
            share = self.force_before(at_s) / weight_n
            reason = "" if share > _LEAST_SHARE else NO_LOAD
        return self.observation("tip_share", share, reason, estimate=self.estimate_n)

    def force_before(self, at_s: float) -> float:
        """Mean force over the reaction times before a key press; 0 where nothing is recorded."""
        trace = self.review.source.trace
        quick_s, slow_s = REACTION_S
        part = trace.force_n[(trace.time_s >= at_s - slow_s) & (trace.time_s <= at_s - quick_s)]
        return float(part.mean()) - self.features.zero_n if part.size else 0.0

    def block(self, quantity: Quantity) -> tuple[Observation, ...]:
        """Efficiency of the high block, where two cells tell it."""
        tag, said = self.review.source.tag, said_of_block(self.review.cells, self.review.source.rig)
        return tuple(
            self.observation(
                quantity,
                one.measured,
                DISCARDED if tag.discarded else one.reason,
                block=one.block,
                x=one.x,
            )
            for one in said
            if one.quantity == quantity
        )

    def place(self) -> dict[str, float]:
        """Where the piece lies in the range of a peak rule, from the stored inputs."""
        piece, rig = self.inputs.get("piece", {}), self.inputs.get("rig", {})
        fall_m = self.stored.get("free_fall_m", {}).get("p50")
        drop = piece.get("drop", {})
        found: dict[str, float | None] = {
            "share_carried": piece.get("release", {}).get("share_carried"),
            "angle_rad": piece.get("swing", {}).get("angle_rad"),
        }
        if fall_m is not None:
            rope_m = rig.get("fall_length_m", 0.0) + rig.get("lead_length_m", 0.0)
            run_m = drop.get("run_m")
            found["fall_over_rope"] = fall_m / rope_m if rope_m > 0 else None
            found["fall_over_run"] = fall_m / run_m if run_m else None
        return {name: float(value) for name, value in found.items() if value is not None}

    def scored(self) -> Scored | None:
        comparison = self.review.comparison
        if comparison is None or self.why_no_peak():
            return None
        return Scored(
            lowering=self.name,
            method=self.method,
            measured_n=comparison.measured_n,
            predicted_n=comparison.predicted_n,
            percentile=comparison.percentile / 100.0,
            is_lower_bound=self.clipped,
        )

    def judged(self) -> Judged | None:
        weight_n = self.features.hang_weight_n
        if weight_n is None or self.estimate_n is None or self.why_no_weight():
            return None
        guesses = {
            (guess.by, guess.how): guess.weight_n
            for guess in self.review.source.guesses
            if guess.weight_n is not None and guess.made_before
        }
        return Judged(self.name, weight_n, self.estimate_n, guesses)
