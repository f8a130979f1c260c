"""The pretension plan: the band's two ends by hand, no band, limits, offset, words, figure."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from analysis.errors import PredictionError
from analysis.predicting.band import plan_pretension
from analysis.predicting.held import lift_of, reading_of
from analysis.predicting.hinge import rupture_pa
from analysis.predicting.piece import estimate
from analysis.predicting.pretension import first_extreme_n, offset_peaks_n
from analysis.predicting.pretension_plan import PretensionPlan
from analysis.predicting.statics import force_at_piece
from analysis.showing.pretension_figure import draw_pretension
from logger.records import (
    Diameter,
    Hinge,
    Limit,
    LimitKind,
    Node,
    Piece,
    Place,
    Release,
    Rig,
    Rope,
    Station,
)

ROPE = Rope(name="blue", stiffness_n=50e3, damping_ratio=0.1)
ONE_ROPE = Rig(
    name="one",
    method="tip_tied",
    rope="blue",
    lead_length_m=3.0,
    device="winch",
    station=Station(name="rope end", mount="end", leg="lead", cell="red"),
    more_stations=(Station(name="top sling", mount="sling", node="high_block"),),
    nodes=(
        Node(name="A", role="high_block", z_m=10.0, efficiency=0.9),
        Node(name="W", role="device", z_m=0.0),
    ),
)
SPAN = Rig(
    name="span",
    method="span_rig",
    rope="blue",
    rope_length_m=9.0,
    station=Station(name="far end", mount="end", leg="standing"),
    nodes=(
        Node(name="W", role="device", x_m=0.5, z_m=1.0),
        Node(name="A", role="high_block", z_m=12.0),
        Node(name="P", role="piece_block", x_m=3.0, z_m=8.5),
        Node(name="B", role="anchor", x_m=6.0, z_m=11.0),
    ),
)


def limb(**more: Any) -> Piece:
    ends = (Diameter(at_m=0.0, diameter_m=0.24), Diameter(at_m=4.0, diameter_m=0.20))
    body = Piece(
        name="P1", rig="one", length_m=4.0, diameters=ends, density_kg_per_m3=1000.0,
        density_rel_u=0.04, species="northern red oak", release=Release(share_carried=0.7),
    )  # fmt: skip
    return replace(body, **more)


def limit(on: str, kind: LimitKind, force_n: float) -> Limit:
    return Limit(on=on, kind=kind, force_n=force_n, by="Wren", entered="2026-05-03")


def late(middle: float, *ratios: float) -> float:
    """Value that 95 % stay below: distances from the middle, as logarithms, added as squares."""
    return middle * math.exp(math.hypot(*(math.log(ratio) for ratio in ratios)))


STRONG, WEAK = 0.9 - 1.6449 * 0.03, 0.9 + 1.6449 * 0.03
"""Efficiency of the one block, stronger and weaker than in 95 % of such blocks."""


def test_the_band_by_hand() -> None:
    """One rope straight down: the winch pulls T, 0.9 T arrives; lift at the centre of mass."""
    plan = plan_pretension(limb(), ONE_ROPE, ROPE)
    light, middle, heavy = plan.weight_n
    known = estimate(limb())
    assert (light, heavy) == pytest.approx(known.weight_band_n)
    assert light < middle < heavy
    assert plan.band is not None
    assert plan.reading is not None
    assert plan.band.low_n == pytest.approx(late(0.7 * middle / 0.9, heavy / middle, 0.9 / STRONG))
    assert 1 / plan.band.high_n == pytest.approx(late(0.9 / middle, middle / light, WEAK / 0.9))
    assert plan.reading.low_n == pytest.approx(0.7 * heavy)
    assert plan.reading.high_n == pytest.approx(light)
    assert plan.band.low_by == "the crew's aim (heavy estimate, strong friction)"
    assert plan.reading.low_by == "the crew's aim (heavy estimate)"
    assert plan.easing is not None
    assert plan.easing.low_n == pytest.approx(late(0.7 * middle * 0.9, heavy / middle, WEAK / 0.9))
    assert 1 / plan.easing.high_n == pytest.approx(
        late(1 / (0.9 * middle), middle / light, 0.9 / STRONG)
    )
    assert plan.easing_reading == plan.reading
    low, high = (round(100 * v / middle) for v in (plan.reading.low_n, plan.reading.high_n))
    assert plan.words == (f"About {low} to {high} % of the piece, if the estimate holds.",)


def test_the_windows_lower_edge_lifts_the_band() -> None:
    hinge = Hinge(width_m=0.22, thickness_m=0.02, notch_depth_m=0.06)
    plan = plan_pretension(limb(hinge=hinge, release=None), ONE_ROPE, ROPE)
    known = estimate(limb())
    heavy = plan.weight_n[2]
    weak_pa = float(rupture_pa(0.56)) * (1 - 1.6449 * 0.16)
    resists = weak_pa * 0.22 * 0.02**2 / 6
    beta = 1 - resists / (heavy * known.centre_from_butt_m)
    assert plan.band is not None
    weight = heavy / plan.weight_n[1]
    friction = late(1.0, weight, 0.9 / STRONG) / weight
    assert plan.band.low_n == pytest.approx(beta * heavy / 0.9 * friction, rel=1e-4)
    assert "lower edge" in plan.band.low_by
    assert plan.reading is not None
    assert plan.reading.low_n == pytest.approx(beta * heavy, rel=1e-4)
    assert plan.aim is None


def test_balance_ends_the_band_where_the_rig_lifts_outside() -> None:
    centre = estimate(limb()).centre_from_butt_m
    low_aim = Release(share_carried=0.5)
    plan = plan_pretension(limb(tie_from_butt_m=1.2 * centre, release=low_aim), ONE_ROPE, ROPE)
    assert plan.band is not None
    light, middle, _ = plan.weight_n
    assert 1 / plan.band.high_n == pytest.approx(
        1.2 * late(0.9 / middle, middle / light, WEAK / 0.9)
    )
    assert "balanced" in plan.band.high_by
    assert plan.reading is not None
    assert plan.reading.high_n == pytest.approx(light / 1.2)


@pytest.mark.parametrize(
    ("on", "load_per_pull"),
    [
        ("blue", 1.0),
        ("W", 1.0),
        ("red", WEAK),
        ("rope end", WEAK),
        ("A", 1 + WEAK),
        ("top sling", 1 + WEAK),
    ],
)
@pytest.mark.parametrize("kind", ["working_limit", "peak_allowance"])
def test_an_entered_limit_ends_the_band(on: str, load_per_pull: float, kind: LimitKind) -> None:
    free = plan_pretension(limb(), ONE_ROPE, ROPE).band
    assert free is not None
    at_n = (free.low_n + free.high_n) / 2
    plan = plan_pretension(limb(), ONE_ROPE, ROPE, [limit(on, kind, at_n * load_per_pull)])
    assert plan.band is not None
    assert plan.band.high_n == pytest.approx(at_n)
    assert plan.band.high_by == f"{kind.replace('_', ' ')} of {on}"
    assert plan.ceilings[0].by == "Wren"


def test_a_breaking_strength_is_never_a_limit() -> None:
    plain = plan_pretension(limb(), ONE_ROPE, ROPE)
    broken = [limit("blue", "breaking_strength", 100.0), limit("other rope", "working_limit", 1.0)]
    assert plan_pretension(limb(), ONE_ROPE, ROPE, broken) == plain


def test_no_band_when_the_weight_is_not_known_well_enough() -> None:
    vague = limb(density_kg_per_m3=None, density_rel_u=None, species="baobab")
    plan = plan_pretension(vague, ONE_ROPE, ROPE)
    assert plan.band is None
    assert plan.reading is None
    assert plan.words[0].startswith("No band: the weight is not known well enough.")
    assert "the crew's aim (heavy estimate)" in plan.words[0]


def test_what_would_open_a_band_is_planned_again_with_it() -> None:
    vague = limb(density_kg_per_m3=None, density_rel_u=None)
    plan = plan_pretension(vague, ONE_ROPE, ROPE)
    assert plan.band is None
    assert "To get one: weigh a disc of its wood and measure its volume; if that" in plan.words[0]
    density = estimate(vague).density_kg_per_m3
    weighed = replace(vague, density_kg_per_m3=density, density_rel_u=0.04)
    assert plan_pretension(weighed, ONE_ROPE, ROPE).band is not None
    higher = replace(vague, release=Release(share_carried=0.95))
    assert "To get one" not in plan_pretension(higher, ONE_ROPE, ROPE).words[0]


def test_without_aim_or_hinge_only_the_upper_end_is_said() -> None:
    plan = plan_pretension(limb(release=None), ONE_ROPE, ROPE)
    assert plan.band is not None
    assert plan.band.low_n == 0.0
    assert plan.words[0].startswith("Up to about ")


def test_no_band_whatever_the_weight_names_what_crosses() -> None:
    plan = plan_pretension(limb(), ONE_ROPE, ROPE, [limit("blue", "working_limit", 300.0)])
    assert plan.band is None
    assert plan.words[0].startswith("No band, even if the weight were known: the crew's aim")
    assert "working limit of blue" in plan.words[0]
    high_aim = plan_pretension(limb(release=Release(share_carried=1.3)), ONE_ROPE, ROPE)
    assert "even if the weight were known" in high_aim.words[0]


def test_rows_carry_share_balance_and_the_release_peak() -> None:
    plan = plan_pretension(limb(), ONE_ROPE, ROPE)
    row = plan.rows[6]
    shares = [0.9 * row.winch_n / w for w in reversed(plan.weight_n)]
    assert row.share == pytest.approx(shares)
    assert row.balance == pytest.approx(shares)
    assert row.reading_n == pytest.approx(0.9 * row.winch_n)
    for weight, share, peak in zip(
        plan.weight_n, reversed(shares), row.release_peak_n, strict=True
    ):
        assert peak == pytest.approx(float(first_extreme_n(weight, share, 0.1)))
    assert row.hinge is None


def test_the_hinge_fails_holds_and_breaks_as_the_pull_grows() -> None:
    hinge = Hinge(width_m=0.22, thickness_m=0.012, notch_depth_m=0.06)
    plan = plan_pretension(limb(hinge=hinge), ONE_ROPE, ROPE)
    states = [row.hinge for row in plan.rows]
    assert sorted(set(states), key=states.index) == ["fails_down", "holds", "breaks_up"]
    assert all(row.closed_n > row.high_n > row.low_n for row in plan.hinge)
    thin, thick = plan.hinge[0], plan.hinge[-1]
    assert thick.low_n < thin.low_n < thin.high_n < thick.high_n
    assert "the winch cannot be expected to break it" in plan.words[-1]


def test_a_thick_hinge_is_said_in_the_agreed_words() -> None:
    hinge = Hinge(width_m=0.22, thickness_m=0.06, notch_depth_m=0.06)
    plan = plan_pretension(limb(hinge=hinge), ONE_ROPE, ROPE)
    assert (
        "Stop winching. More tension can split the stem or throw the piece. The climber decides, "
        "from outside its path, whether to ease tension first."
    ) in plan.words[1]


def test_dead_wood_gives_no_reassurance() -> None:
    hinge = Hinge(width_m=0.22, thickness_m=0.02)
    dead = limb(hinge=hinge, condition="standing_dead")
    assert any(
        "no reassurance" in words for words in plan_pretension(dead, ONE_ROPE, ROPE).warnings
    )


def test_off_centre_the_upper_indications_stand_instead() -> None:
    known = estimate(limb())
    tie = known.centre_from_butt_m + 0.8
    plan = plan_pretension(limb(tie_from_butt_m=tie), ONE_ROPE, ROPE)
    held, free = offset_peaks_n(plan.weight_n[1], 0.8, known.gyration_m)
    assert plan.offset.offset_m == pytest.approx(0.8)
    assert plan.offset.indications_n == pytest.approx((float(held), float(free)))
    assert "outside the centre of mass (20 % of the length)" in " ".join(plan.warnings)
    inside = plan_pretension(limb(tie_from_butt_m=tie - 1.6), ONE_ROPE, ROPE)
    assert "inside the centre" in " ".join(inside.warnings)
    near = plan_pretension(limb(tie_from_butt_m=tie - 0.6), ONE_ROPE, ROPE)
    assert near.offset.indications_n is None


def test_a_release_above_a_peak_allowance_is_said() -> None:
    low = limb(release=Release(share_carried=0.3))
    weight = estimate(low).weight_n
    plan = plan_pretension(low, ONE_ROPE, ROPE, [limit("rope end", "peak_allowance", 1.3 * weight)])
    assert "above its entered peak allowance" in plan.warnings[0]
    tied_out = replace(low, tie_from_butt_m=3.6)
    more = plan_pretension(tied_out, ONE_ROPE, ROPE, [limit("A", "peak_allowance", 2.2 * weight)])
    assert "loads A up to" in more.warnings[0]


def test_a_span_below_sixty_percent_points_to_the_simulation() -> None:
    low = limb(rig="span", release=Release(share_carried=0.4))
    assert "use the simulated prediction" in plan_pretension(low, SPAN, ROPE).warnings[0]


def test_a_span_lifts_with_both_legs() -> None:
    lift = lift_of(limb(rig="span"), SPAN)
    held = force_at_piece(SPAN, (3.0, 0.0, 8.5), 1.0, 1.0)
    assert lift.up == pytest.approx(float(held.force_n[2]))
    assert lift.reading == pytest.approx(float(held.legs["standing"]))
    moved = lift_of(limb(rig="span", tie_place=Place(x_m=3.5, z_m=7.0)), SPAN)
    assert moved.up != pytest.approx(lift.up)
    end = Station(name="B", mount="end", node="B")
    assert reading_of(end, SPAN, held) == lift.reading
    line = Station(name="line", mount="running_line", leg="fall")
    assert reading_of(line, SPAN, held) == pytest.approx(1.0)


def test_mirrored_rigs_and_limbs_plan_alike() -> None:
    lean = {"inclination_rad": math.radians(40), "tie_place": Place(x_m=3.0, z_m=8.0)}
    right = plan_pretension(limb(rig="span", **lean), SPAN, ROPE)
    nodes = tuple(replace(node, x_m=-node.x_m) for node in SPAN.nodes)
    turned = limb(
        rig="span", inclination_rad=math.radians(40), bearing_rad=math.pi,
        tie_place=Place(x_m=-3.0, z_m=8.0),
    )  # fmt: skip
    left = plan_pretension(turned, replace(SPAN, nodes=nodes), ROPE)
    assert [row.balance[1] for row in left.rows] == pytest.approx(
        [r.balance[1] for r in right.rows]
    )
    assert [row.share[1] for row in left.rows] == pytest.approx([r.share[1] for r in right.rows])


def test_a_drooping_limb_is_planned_as_its_mirror_image_is() -> None:
    """Straight up, only the arms count, and those are the same above and below the horizontal."""
    up, down = (
        plan_pretension(limb(inclination_rad=slope), ONE_ROPE, ROPE) for slope in (0.5, -0.5)
    )
    assert up.band is not None
    assert down.band == up.band


@settings(max_examples=25, deadline=None)
@given(
    st.floats(0.1, 1.2), st.floats(0.01, 0.15), st.floats(0.2, 4.0), st.floats(500.0, 5000.0)
)  # fmt: skip
def test_both_ends_keep_their_promise(aim: float, rel_u: float, tie: float, force: float) -> None:
    """At the lower end the heavy piece is carried to the aim; at the upper nothing is passed."""
    piece = limb(
        release=Release(share_carried=aim), density_rel_u=rel_u, tie_from_butt_m=tie,
    )  # fmt: skip
    plan = plan_pretension(piece, ONE_ROPE, ROPE, [limit("blue", "working_limit", force)])
    if plan.band is None:
        assert plan.words[-1].startswith("No band" if plan.reading is None else "Read rope end")
        return
    light, _, heavy = plan.weight_n
    centre = estimate(piece).centre_from_butt_m
    assert 0.9 * plan.band.low_n / heavy >= aim * (1 - 1e-9)
    assert 0.9 * plan.band.high_n / light <= 1 + 1e-9
    assert 0.9 * plan.band.high_n * tie / (light * centre) <= 1 + 1e-9
    assert plan.band.high_n <= force * (1 + 1e-9)


@pytest.mark.parametrize(
    ("piece", "rig", "words"),
    [
        (limb(tie_from_butt_m=4.5), ONE_ROPE, "tie_from_butt_m: 4.5 m is not on the piece"),
        (limb(tie_from_butt_m=0.0), ONE_ROPE, "not on the piece outside its butt"),
        (limb(tie_place=Place(z_m=12.0)), ONE_ROPE, "pulls the tie down"),
        (limb(inclination_rad=1.57), ONE_ROPE, "upright piece has no moment"),
        (limb(length_m=math.nan), ONE_ROPE, "length_m is nan"),
        (limb(inclination_rad=1.2, tie_place=Place(x_m=-8.0, z_m=8.0)), ONE_ROPE, "turns the limb down"),
        (limb(), replace(ONE_ROPE, method="snubbed_drop", fall_length_m=8.0), "is not pretensioned"),
    ],
)  # fmt: skip
def test_what_cannot_be_planned_is_one_line(piece: Piece, rig: Rig, words: str) -> None:
    with pytest.raises(PredictionError, match=words) as caught:
        plan_pretension(piece, rig, ROPE)
    assert "\n" not in str(caught.value)


def test_the_plan_is_plain_values() -> None:
    hinge = Hinge(width_m=0.22, thickness_m=0.02)
    plan = plan_pretension(limb(hinge=hinge), ONE_ROPE, ROPE)
    body = json.loads(json.dumps(plan.to_dict(), allow_nan=False))
    assert body["band"]["low_n"] == plan.band.low_n if plan.band else body["band"] is None
    assert body["hinge_thickness_m"] == 0.02
    assert len(body["rows"]) == len(plan.rows)
    assert any("silence is not a go" in words for words in body["cautions"])


def words_of(plan: PretensionPlan, unit: Any = "kN") -> tuple[Any, str]:
    figure = draw_pretension(plan, "P1", unit)
    texts = [text.get_text() for axes in figure.axes for text in axes.texts]
    return figure, " ".join([*texts, *(text.get_text() for text in figure.texts)])


def test_the_figure_names_everything_in_it(tmp_path: Path) -> None:
    hinge = Hinge(width_m=0.22, thickness_m=0.02, notch_depth_m=0.06)
    entered = [limit("A", "peak_allowance", 4000.0), limit("blue", "working_limit", 40_000.0)]
    plan = plan_pretension(limb(hinge=hinge), ONE_ROPE, ROPE, entered)
    assert plan.band is not None
    figure, words = words_of(plan)
    assert f"{plan.band.low_n / 1000:.2f} to {plan.band.high_n / 1000:.2f} kN" in words
    assert "peak allowance of A 4.00 kN, entered by Wren 2026-05-03" in words
    assert "right of this picture" in words
    assert "planned thickness, 20 mm" in words
    assert "split the stem lengthwise" in words
    assert figure.get_figwidth() * figure.dpi == pytest.approx(1080)
    upper, lower = figure.axes[:2]
    assert upper.get_xlim() == lower.get_xlim()
    figure.savefig(tmp_path / "plan.png")
    assert (tmp_path / "plan.png").stat().st_size > 20_000


def test_the_figure_without_band_and_hinge() -> None:
    vague = limb(density_kg_per_m3=None, density_rel_u=None, species="baobab")
    figure, words = words_of(plan_pretension(vague, ONE_ROPE, ROPE), "lbf")
    assert "no band is drawn" in words
    assert "pull at the winch, lbf" in figure.axes[0].get_xlabel()
    assert len(figure.axes) == 2  # the panel and the key


def test_no_two_labels_of_the_figure_overlap() -> None:
    hinge = Hinge(width_m=0.22, thickness_m=0.012, notch_depth_m=0.06)
    figure, _ = words_of(plan_pretension(limb(hinge=hinge), ONE_ROPE, ROPE))
    renderer = figure.canvas.get_renderer()
    texts = [text for axes in figure.axes for text in axes.texts] + list(figure.texts)
    boxes = [text.get_window_extent(renderer) for text in texts if text.get_text()]
    for i, box in enumerate(boxes):
        assert box.x1 <= figure.bbox.x1
        assert not any(box.shrunk(0.95, 0.7).overlaps(other) for other in boxes[:i])
