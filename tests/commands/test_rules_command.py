"""``ropetally rules`` on the invented season: what it finds, leaves out, and lets be planned.

The truth files are read here only to compare; nothing in the program reads them.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest
from click.testing import CliRunner, Result
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text
from reviews import prepared, tie

from analysis.learning.hierarchy import Sampling
from analysis.learning.rule_fit import fit_rule
from analysis.learning.rule_result import GroupResult
from analysis.learning.rules import RULES, Observation, default_rule
from analysis.showing.rules_figure import draw_pit, draw_rules
from analysis.showing.rules_wording import exclusions
from logger.commands.main import cli
from logger.commands.rules import NAMES, Learned, accept_number, as_plain, learn, lines_of
from logger.commands.season import logbooks_of, read_season
from logger.errors import InputError
from logger.logbook.copy import copy
from logger.logbook.reader import LogbookReader
from logger.records import RuleAcceptance
from logger.units import ForceUnit

FOLDER = Path(__file__).resolve().parents[2] / "sample_logs"
LOGBOOKS = sorted((FOLDER / "season").glob("*.logbook"))
TRUTHS = {
    path.stem: json.loads(path.read_text("utf-8")) for path in (FOLDER / "truth").glob("*.json")
}
SEASON = TRUTHS.pop("season")
WRONG = {
    ("peak", "let_run_drop"),
    ("guess", "Wren"),
    ("tip", "butt_tied"),
    ("tip", "span_rig"),
    ("tip", "tip_tied"),
}
TOLD = {"touched": "the piece touched something", "tag_line_tight": "the tag line was tight"}


@pytest.fixture(scope="module")
def learned() -> Learned:
    return learn(LOGBOOKS)


def group(learned: Learned, rule: str, name: str) -> GroupResult:
    return next(result for result in learned.results if result.rule.name == rule).group(name)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["rules", *map(str, arguments)])


def true_constants() -> dict[tuple[str, str], float]:
    rows = cast("list[dict[str, Any]]", SEASON["rules_over_these_pieces"])
    return {(row["rule"], row["group"]): row["constant"] for row in rows}


# what the season hides


def test_the_wrong_defaults_are_found(learned: Learned) -> None:
    hidden = {
        (row["rule"], row["group"])
        for row in SEASON["rules_over_these_pieces"]
        if row["wrong_by_more_than_20_percent"]
    }
    assert hidden == WRONG
    for rule, name in WRONG:
        found = group(learned, rule, name)
        assert found.default_excluded, (rule, name)
        low, high = found.next_interval_90
        assert not low <= found.default <= high, (rule, name)
    let_run = group(learned, "peak", "let_run_drop")
    assert let_run.constant_interval_90[0] > 1.2


def test_constants_are_near_the_truth(learned: Learned) -> None:
    checked = 0
    for (rule, name), true in true_constants().items():
        found = group(learned, rule, name)
        if found.n >= 6:
            checked += 1
            assert found.constant == pytest.approx(true, rel=0.10), (rule, name)
    assert checked >= 15


def test_planning_numbers_move_only_towards_caution_without_an_acceptance(
    learned: Learned,
) -> None:
    moved = set()
    for result in learned.results:
        for found in result.groups:
            number, default = found.planning.number, found.default
            high = result.rule.adverse == "high"
            assert number >= default if high else number <= default
            if found.evidence_missing:
                assert number in {default, found.constant}
            else:
                bound = found.upper_95_95 if high else found.lower_95_95
                assert number == (max(default, bound) if high else min(default, bound))
            if number != default:
                moved.add((result.rule.name, found.group))
    assert moved >= {("peak", "let_run_drop"), ("guess", "Wren"), ("tip", "span_rig")}
    assert ("dynamic_factor", "snubbed_drop") not in moved


def test_outside_the_range_seen_the_default_returns(learned: Learned) -> None:
    found = group(learned, "peak", "let_run_drop")
    assert found.range_seen is not None
    inside, outside = found.plan_at(found.range_seen[0]), found.plan_at(found.range_seen[1] * 2)
    assert inside.number == found.upper_95_95
    assert outside.number == 1.0


# clipped peaks


def test_clipped_peaks_never_lower_a_rule(learned: Learned) -> None:
    rule, observations = default_rule("peak"), learned.season.of_rule("peak")
    clipped = {one.lowering for one in observations if one.measured_is_lower_bound}
    assert clipped == {"quarry-edge:1", "quarry-edge:2", "quarry-edge:3"}
    kept = [one for one in observations if one.lowering not in clipped]
    without = fit_rule(rule, kept)
    for name in ("snubbed_drop", "let_run_drop"):
        censored, dropped = group(learned, "peak", name), without.group(name)
        assert censored.clipped > 0
        assert censored.constant >= dropped.constant
        assert censored.upper_95_95 >= dropped.upper_95_95
        assert censored.planning.number >= dropped.planning.number


def test_taken_at_their_word_they_would_have_lowered_it(learned: Learned) -> None:
    def at_their_word(one: Observation) -> Observation:
        return replace(one, measured_is_lower_bound=False)

    observations = learned.season.of_rule("peak")
    naive = fit_rule(default_rule("peak"), [at_their_word(one) for one in observations])
    for name in ("snubbed_drop", "let_run_drop"):
        assert naive.group(name).constant < group(learned, "peak", name).constant


# what is left out


def test_every_told_happening_is_left_out_with_its_reason(learned: Learned) -> None:
    rows = exclusions(learned.results)
    weight = {row[0]: row[2] for row in rows if "weight" in row[1] or row[1] == "all rules"}
    peak = {row[0]: row[2] for row in rows if "peak" in row[1] or row[1] == "all rules"}
    for job, truth in TRUTHS.items():
        for true in truth["lowerings"]:
            happening = true["happening"]
            name = f"{job}:{true['lowering']}"
            if happening and happening["told"] and happening["kind"] in TOLD:
                assert weight[name] == peak[name] == TOLD[happening["kind"]], name
            if happening and happening["kind"] == "gap_at_peak":
                assert peak[name] == "samples are missing around the peak"
                assert name not in weight


def test_every_lowering_is_in_the_fit_or_listed(learned: Learned) -> None:
    assert learned.season.n_lowerings == 72
    assert learned.season.left_out == ()
    assert learned.season.unrecorded == ()
    for name in ("weight", "peak", "dynamic_factor"):
        result = next(each for each in learned.results if each.rule.name == name)
        fitted = {row.lowering for row in result.residuals}
        left_out = {row.lowering for row in result.excluded}
        assert len(fitted) + len(left_out) == 72
        assert fitted.isdisjoint(left_out)
        assert all(row.reason for row in result.excluded)


# scores


def test_the_scores_show_where_the_predictions_fail(learned: Learned) -> None:
    scores = {score.method: score for score in learned.scores.methods}
    let_run, span = scores["let_run_drop"], scores["span_rig"]
    assert let_run.bias.ratio > 1.3
    assert let_run.pit.ks_p is not None
    assert let_run.pit.ks_p < 0.001
    assert let_run.pit.share[-1] > 0.4
    assert span.pit.ks_p is not None
    assert span.pit.ks_p > 0.01
    assert 0.9 < span.bias.ratio < 1.15
    people = {person.by: person for person in learned.scores.people}
    assert set(people) == {"Wren", "Siskin", "Dunlin"}
    wren = people["Wren"]
    assert wren.guessed.bias.ratio == pytest.approx(1.38, rel=0.06)
    assert wren.guessed.mean_abs_log > 2 * wren.computed.mean_abs_log
    assert people["Siskin"].guessed.mean_abs_log < wren.guessed.mean_abs_log


# words, JSON, figures


def test_the_table_fits_80_columns_and_carries_its_cautions(learned: Learned) -> None:
    units: tuple[ForceUnit, ...] = ("kN", "lbf")
    for unit in units:
        lines = "\n".join(lines_of(learned, unit)).splitlines()
        assert max(map(len, lines)) <= 80
        text = "\n".join(lines)
        flat = " ".join(text.split())
        assert "INVENTED" in text
        assert "never permission" in text
        assert "no named person has accepted that on record" in flat
        assert "Far off" in text
        assert "crews log the calm ones" in flat
        assert f" {unit}" in text
        assert "samples are missing around the peak (peak, dynamic factor): chapel-lane:4" in flat
        assert "the tag line was tight (all rules): north-drive:3" in flat


def test_json_is_si_and_without_nan(learned: Learned) -> None:
    plain = json.loads(json.dumps(as_plain(learned), allow_nan=False))
    assert [rule["rule"] for rule in plain["rules"]] == list(NAMES)
    let_run = next(g for g in plain["rules"][2]["groups"] if g["group"] == "let_run_drop")
    assert {
        "default", "constant", "constant_interval_90", "next_interval_90", "upper_95_95", "n",
        "jobs", "clipped", "range_name", "range_seen", "evidence_met", "planning_number",
        "planning_reason",
    } <= set(let_run)  # fmt: skip
    assert plain["lowerings"] == 72
    assert len(plain["jobs"]) == 9
    assert plain["invented"] is True
    assert plain["cautions"]


def test_the_help_names_the_rules_there_are() -> None:
    assert tuple(rule.name for rule in RULES) == NAMES


def overlaps(figure: Figure) -> list[tuple[str, str]]:
    """Pairs of texts that cover each other."""
    figure.canvas.draw()
    texts = [
        text for text in figure.findobj(Text)
        if isinstance(text, Text) and text.get_visible() and text.get_text().strip()
    ]  # fmt: skip
    boxes = [(text.get_text(), text.get_window_extent()) for text in texts]
    return [
        (one, other)
        for at, (one, first) in enumerate(boxes)
        for other, second in boxes[at + 1 :]
        if min(first.x1, second.x1) - max(first.x0, second.x0) > 1
        and min(first.y1, second.y1) - max(first.y0, second.y0) > 1
    ]


def test_the_figures_fit_a_phone_and_no_text_covers_another(learned: Learned) -> None:
    for figure in (draw_rules(learned.results, "about"), draw_pit(learned.scores, "about")):
        width, height = figure.get_size_inches() * figure.dpi
        assert width == pytest.approx(1080.0)
        assert overlaps(figure) == []
        for text in figure.findobj(Text):
            assert isinstance(text, Text)
            if text.get_visible() and text.get_text().strip():
                box = text.get_window_extent()
                assert -1 <= box.x0 < box.x1 <= width + 1, text.get_text()
                assert -1 <= box.y0 < box.y1 <= height + 1, text.get_text()


# the command


def test_a_small_logbook_keeps_the_defaults_and_says_why(tmp_path: Path) -> None:
    made = prepared(tmp_path, pieces=("P1",))
    figure, pit = tmp_path / "rules.png", tmp_path / "pit.svg"
    result = run(made.path, "--rule", "peak", "--rule", "tip", "--figure", figure, "--pit", pit)
    assert result.exit_code == 0, result.output
    flat = " ".join(result.output.split())
    assert "2 lowerings, 1 job, crew Heron" in flat
    assert "no usable piece: the default stays" in flat
    assert "1 of 6 unclipped pieces" in flat
    assert "not tied to a piece (all rules): job:2" in flat
    assert "Pieces on the sheets without a lowering: 1; lowerings not tied to a piece: 1" in flat
    assert "Weight rule" not in flat
    assert imread(figure).shape[1] == 1080
    assert pit.read_text("utf-8").startswith("<?xml")


def test_an_empty_logbook_is_told_without_numbers(tmp_path: Path) -> None:
    made = prepared(tmp_path, [], pieces=())
    result = run(made.path, "--not-recorded", 3, "--pit", tmp_path / "pit.png")
    assert result.exit_code == 0, result.output
    flat = " ".join(result.output.split())
    assert "no peak to compare" in flat
    assert "no weight to compare" in flat
    assert "Left out: nothing" in flat
    assert "Pieces not recorded, as entered: 3" in flat


def test_one_recording_in_two_files_counts_once(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    other = tmp_path / "twin" / "job.logbook"
    other.parent.mkdir()
    copy(made.path, other)
    season = read_season([made.path, other])
    assert len(season.observed) == 2
    assert [one.reason for one in season.left_out] == [
        f"the same recording as {made.path}:{at}" for at in (1, 2)
    ]
    with pytest.raises(InputError, match="named twice"):
        read_season([made.path, made.path])


def test_what_cannot_be_read_is_told_and_left_out(tmp_path: Path) -> None:
    made = prepared(tmp_path, scaling=False, cell="blue")
    season = read_season([made.path])
    assert season.observed == ()
    assert all("no calibration" in one.reason for one in season.left_out)


def test_a_discarded_lowering_is_left_out_of_all_rules(tmp_path: Path) -> None:
    made = prepared(tmp_path, pieces=("P1",))
    tie(made, 2, "", discarded=True)
    (one,) = read_season([made.path]).left_out
    assert one.reason == "discarded"


def test_a_folder_stands_for_its_logbooks(tmp_path: Path) -> None:
    assert list(logbooks_of([FOLDER / "season"])) == LOGBOOKS
    result = run(tmp_path)
    assert isinstance(result.exception, InputError)
    assert "holds no .logbook" in str(result.exception)


def test_only_png_and_svg_are_drawn(tmp_path: Path) -> None:
    result = run(LOGBOOKS[0], "--figure", tmp_path / "rules.pdf")
    assert isinstance(result.exception, InputError)
    assert ".png or .svg" in str(result.exception)


def test_no_figure_no_matplotlib() -> None:
    code = (
        "import sys\n"
        f"sys.argv = ['ropetally', 'rules', {str(LOGBOOKS[0])!r}, '--rule', 'tip']\n"
        "from logger.commands.main import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code\n"
        "assert 'matplotlib' not in sys.modules and 'pandas' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


# acceptance


@pytest.fixture
def own(tmp_path: Path) -> list[Path]:
    """The season in a folder of its own, to write into."""
    return [Path(shutil.copy(path, tmp_path)) for path in LOGBOOKS]


SNUBBED = ("--rule", "dynamic_factor", "--accept", "dynamic_factor/snubbed_drop")


def test_an_accepted_number_is_on_record_and_planned_with(own: list[Path]) -> None:
    result = run(*own, *SNUBBED, "--by", "Siskin", "--json")
    assert result.exit_code == 0, result.output
    plain = json.loads(result.output)
    snubbed = next(g for g in plain["rules"][0]["groups"] if g["group"] == "snubbed_drop")
    assert snubbed["planning_source"] == "accepted"
    assert snubbed["planning_number"] == pytest.approx(snubbed["upper_95_95"])
    assert snubbed["planning_number"] < 1.0
    assert "accepted by Siskin" in snubbed["planning_reason"]
    with LogbookReader(own[-1]) as reader:
        record = reader.record(RuleAcceptance, "dynamic_factor/snubbed_drop")
        (version,) = reader.versions("rule_acceptance", "dynamic_factor/snubbed_drop")
    assert record is not None
    assert (record.by, version.author) == ("Siskin", "Siskin")
    assert record.number == record.bound == pytest.approx(snubbed["upper_95_95"])
    assert (record.pieces, record.jobs) == (
        snubbed["n"] - snubbed["clipped"], snubbed["jobs"],
    )  # fmt: skip
    checked = CliRunner().invoke(cli, ["check", str(own[-1])])
    assert "all is well" in checked.output
    # the pieces of one job alone do not meet the evidence, whatever was accepted
    alone = json.loads(run(own[-1], own[0], "--rule", "dynamic_factor", "--json").output)
    for found in alone["rules"][0]["groups"]:
        assert found["planning_source"] != "accepted"


@pytest.mark.parametrize(
    ("wanted", "number", "told"),
    [
        ("dynamic_factor/snubbed_drop", 0.5, "beyond the 95/95 bound"),
        ("dynamic_factor/snubbed_drop", -1.0, "above 0"),
        ("peak/tip_tied", None, "the evidence is not met"),
        ("peak/let_run_drop", None, "nothing to accept"),
        ("tip/span_rig", None, "nothing to accept"),
        ("tip", None, "there are tip/butt_tied, tip/span_rig"),
        ("nosuch", None, "there are weight/American beech"),
    ],
)
def test_what_cannot_be_accepted_is_refused(
    learned: Learned, wanted: str, number: float | None, told: str
) -> None:
    with pytest.raises(InputError, match=told):
        accept_number(learned, wanted, number, "Siskin")
    with LogbookReader(LOGBOOKS[-1]) as reader:
        assert reader.keys("rule_acceptance") == ()


def test_nobody_accepts_without_a_name() -> None:
    result = run(LOGBOOKS[0], *SNUBBED)
    assert isinstance(result.exception, InputError)
    assert "--by NAME" in str(result.exception)


def test_a_seed_makes_the_same_rules_again(learned: Learned) -> None:
    rule = default_rule("tip")
    quick = Sampling(sweeps=50)
    first = fit_rule(rule, learned.season.of_rule("tip"), sampling=quick)
    again = fit_rule(rule, learned.season.of_rule("tip")[::-1], sampling=quick)
    assert first.to_dict() == again.to_dict()
