"""Invented seasons of observations with known truth, for scoring the rules.

The numbers here are chosen without looking at the priors in ``analysis/learning/rules.py``.
Honest worlds scatter log-normally about constants that may lie far from the defaults, with
jobs a little alike. The others break the model: heavy tails, jobs much alike and skewed, a
stiffer rope from some job on (its peaks rise; the fresh pieces hang on the new rope).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from analysis.learning.rules import Observation

Kind = Literal["honest", "heavy tails", "job effects", "rope changed"]
BREAKING: tuple[Kind, ...] = ("heavy tails", "job effects", "rope changed")

SPECIES = ("beech", "oak", "spruce")
DROPS = ("snubbed_drop", "let_run_drop")
RELEASES = ("span_rig", "tip_tied")
PEOPLE = ("Robin", "Sam")
FRESH_JOBS = 40
FRESH_PIECES = 320


@dataclass(frozen=True, slots=True)
class Season:
    """What the crew logged, what it will meet, and how the season was made.

    ``truth``: per rule/group of ratio rules, log constant and SD of the next piece.
    """

    kind: Kind
    observations: tuple[Observation, ...]
    fresh: tuple[Observation, ...]
    jobs: int
    truth: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(slots=True)
class World:
    """Hidden constants of one crew's season."""

    rng: np.random.Generator
    kind: Kind
    offset: dict[str, float] = field(default_factory=dict)
    spread: dict[str, float] = field(default_factory=dict)
    job_sd: dict[str, float] = field(default_factory=dict)
    job_effect: dict[tuple[str, str], float] = field(default_factory=dict)
    rope_step: float = 0.0
    new_rope: frozenset[str] = frozenset()

    def constant(self, quantity: str, group: str, reach: float, between: float) -> float:
        """Log constant of a group: one offset per quantity, one per group."""
        common = self.offset.setdefault(quantity, self.rng.uniform(-reach, reach))
        key = f"{quantity}/{group}"
        if key not in self.offset:
            self.offset[key] = common + self.rng.normal(0, between)
        return self.offset[key]

    def noise(self, quantity: str, group: str, job: str) -> float:
        """Scatter of one piece: its job's effect and its own, with this world's breakage."""
        key = f"{quantity}/{group}"
        spread = self.spread.setdefault(key, self.rng.uniform(0.06, 0.18))
        if self.kind == "job effects":
            job_sd = self.job_sd.setdefault(quantity, self.rng.uniform(0.15, 0.30))
        else:
            job_sd = self.job_sd.setdefault(quantity, self.rng.uniform(0.0, 0.08))
        if (key, job) not in self.job_effect:
            skewed = self.rng.exponential() - 1.0
            plain = self.rng.normal()
            self.job_effect[key, job] = job_sd * (skewed if self.kind == "job effects" else plain)
        own = (
            np.clip(self.rng.standard_t(2.5), -8, 8)
            if self.kind == "heavy tails"
            else self.rng.normal()
        )
        return self.job_effect[key, job] + spread * float(own)

    def truth(self) -> dict[str, tuple[float, float]]:
        """Constants and SDs of the next piece, as far as they are normal on the log scale."""
        found: dict[str, tuple[float, float]] = {}
        if self.kind != "honest":
            return found
        for key, spread in self.spread.items():
            rule = key.split("/")[0]
            if rule != "pretension":
                shift = float(np.log(0.8)) if rule == "tip" else 0.0
                found[key] = (self.offset[key] + shift, float(np.hypot(spread, self.job_sd[rule])))
        return found

    def rope(self, job: str) -> float:
        return self.rope_step if job in self.new_rope else 0.0


def _weights(world: World, tag: str, job: str, species: str) -> tuple[float, float, Observation]:
    rng = world.rng
    estimate = float(np.exp(rng.normal(7.3, 0.6)))
    person = PEOPLE[int(rng.integers(len(PEOPLE)))]
    true = world.constant("weight", species, 0.25, 0.08) + world.noise("weight", species, job)
    weight = estimate * float(np.exp(true))
    off = world.constant("guess", person, 0.35, 0.15) + world.noise("guess", person, job)
    seen = Observation(
        lowering=tag, job=job, crew="crew A", method="", species_group=species,
        quantity="hang_weight_n", measured=weight, estimate=estimate,
        guess=weight * float(np.exp(-off)), guess_by=person,
    )  # fmt: skip
    return estimate, weight, seen


def _peak(world: World, tag: str, job: str, species: str, method: str, **x: float) -> Observation:
    log = world.constant("peak", method, 0.35, 0.12) + world.noise("peak", method, job)
    predicted = float(np.exp(world.rng.normal(8.3, 0.6)))
    return Observation(
        lowering=tag, job=job, crew="crew A", method=method, species_group=species,
        quantity="peak_n", measured=predicted * float(np.exp(log + world.rope(job))),
        predicted=predicted, x=x,
    )  # fmt: skip


def _released(
    world: World, tag: str, job: str, species: str, method: str, estimate: float, weight: float
) -> list[Observation]:
    rng = world.rng
    share = float(rng.uniform(0.2, 0.9))
    slope = 0.744 * float(np.exp(world.constant("pretension", method, 0.25, 0.08)))
    slope *= float(np.exp(0.3 * world.rope(job)))
    carried = weight * share
    release = weight + slope * (weight - carried)
    release += 0.5 * estimate * world.noise("pretension", method, job) * (1 - share + 0.3)
    tip = np.log(0.8) + world.constant("tip", method, 0.4, 0.15) + world.noise("tip", method, job)
    released = Observation(
        lowering=tag, job=job, crew="crew A", method=method, species_group=species,
        quantity="release_peak_n", measured=release, estimate=estimate, x={
            "hang_weight_n": weight, "pretension_lift_n": carried, "share_carried": share,
        },
    )  # fmt: skip
    tipped = replace(released, quantity="tip_share", measured=float(np.exp(tip)))
    return [released, tipped]


def _lowering(world: World, tag: str, job: str) -> list[Observation]:
    rng = world.rng
    species = SPECIES[int(rng.integers(len(SPECIES)))]
    method = (DROPS + RELEASES)[int(rng.integers(4))]
    estimate, weight, weighed = _weights(world, tag, job, species)
    if method == "snubbed_drop":
        return [
            weighed,
            _peak(world, tag, job, species, method, fall_over_rope=float(rng.uniform(0.1, 0.9))),
        ]
    if method == "let_run_drop":
        return [
            weighed,
            _peak(world, tag, job, species, method, fall_over_run=float(rng.uniform(0.3, 1.5))),
        ]
    return [
        weighed,
        _peak(world, tag, job, species, method, share_carried=float(rng.uniform(0.2, 0.9))),
        *_released(world, tag, job, species, method, estimate, weight),
    ]


def _pieces(world: World, prefix: str, jobs: list[str], n: int) -> tuple[Observation, ...]:
    chosen = np.sort(np.concatenate([
        np.arange(len(jobs)), world.rng.integers(len(jobs), size=max(0, n - len(jobs)))
    ]))  # fmt: skip
    rows: list[Observation] = []
    for number, at in enumerate(chosen):
        rows.extend(_lowering(world, f"{prefix}{number}", jobs[int(at)]))
    return tuple(rows)


def make_season(
    seed: int,
    kind: Kind,
    *,
    lowerings: int | None = None,
    jobs: int | None = None,
    change: Callable[[World], None] | None = None,
) -> Season:
    """One season and the fresh pieces that follow it in new jobs."""
    rng = np.random.default_rng(seed)
    world = World(rng, kind)
    n_jobs = int(rng.integers(4, 13)) if jobs is None else jobs
    n = int(rng.integers(20, 101)) if lowerings is None else lowerings
    logged = [f"job {number}" for number in range(n_jobs)]
    later = [f"next {number}" for number in range(FRESH_JOBS)]
    if kind == "rope changed":
        world.rope_step = float(rng.uniform(0.15, 0.40))
        first = int(rng.integers(int(0.4 * n_jobs), max(int(0.7 * n_jobs), 2) + 1))
        world.new_rope = frozenset(logged[first:] + later)
    if change is not None:
        change(world)
    observations = _pieces(world, "L", logged, n)
    fresh = _pieces(world, "F", later, FRESH_PIECES)
    return Season(kind, observations, fresh, n_jobs, world.truth())
