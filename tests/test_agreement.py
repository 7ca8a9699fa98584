"""The second marker: kappa against worked values and libraries, and what the teacher reads."""

import math
import random

import pytest
from sklearn.metrics import cohen_kappa_score

from pegmark.publish.agreement import agree, agreement, interval_95, jackknife_error, weighted_kappa
from takes import grade, mark, move, row, take

# A printed SAS example (PROC FREQ), as the tests of the statsmodels library hold it
# (statsmodels/stats/tests/test_inter_rater.py): rows one marker, columns the other.
SAS_TABLE = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]
# Anxiety ratings of R's package irr (raters 2 and 3), in the same file with irr's printed result.
IRR_SECOND = [3, 6, 4, 6, 2, 4, 2, 4, 3, 3, 2, 3, 3, 3, 2, 2, 1, 3, 3, 4]
IRR_THIRD = [2, 1, 4, 4, 3, 2, 1, 6, 1, 1, 1, 2, 3, 3, 1, 1, 3, 3, 2, 2]


def from_table(table):
    return [(a, b) for a, line in enumerate(table) for b, n in enumerate(line) for _ in range(n)]


def test_worked_values_of_the_design():
    # Calculated by hand (design, section 5): 0.4286 unweighted, 0.5455 quadratic.
    pairs = list(zip([2, 0, 2, 2, 0, 1], [0, 0, 2, 2, 0, 2], strict=True))
    assert weighted_kappa(pairs, 0) == pytest.approx(3 / 7, abs=1e-12)
    assert weighted_kappa(pairs) == pytest.approx(6 / 11, abs=1e-12)


@pytest.mark.parametrize(
    ("power", "kappa", "error"),
    [(0, 0.4842, 0.1380), (1, 0.4701, 0.1457)],  # SAS: simple, and linear weights, with its ASE
)
def test_printed_kappas_and_errors_of_sas(power, kappa, error):
    pairs = from_table(SAS_TABLE)
    assert weighted_kappa(pairs, power) == pytest.approx(kappa, abs=5e-5)
    # SAS's error is the large-sample one: where the same table is many times as large, leaving
    # out each pair in turn must come to the same.
    found = jackknife_error(pairs * 50, power) * math.sqrt(50)
    assert found == pytest.approx(error, rel=0.005)


def test_printed_quadratic_kappa_of_r_irr():
    # irr leaves out the category nobody gave: 1, 2, 3, 4, 6 become ranks.
    ranks = {value: rank for rank, value in enumerate(sorted({*IRR_SECOND, *IRR_THIRD}))}
    pairs = [(ranks[a], ranks[b]) for a, b in zip(IRR_SECOND, IRR_THIRD, strict=True)]
    assert weighted_kappa(pairs) == pytest.approx(0.2520325, abs=5e-8)


@pytest.mark.parametrize("seed", range(20))
def test_agrees_with_scikit_learn(seed):
    draw = random.Random(seed)
    first = [draw.randint(0, 4) for _ in range(30)]
    second = [min(4, max(0, a + draw.choice([-1, 0, 0, 1]))) for a in first]
    pairs = list(zip(first, second, strict=True))
    expected = cohen_kappa_score(first, second, labels=list(range(5)), weights="quadratic")
    assert weighted_kappa(pairs) == pytest.approx(expected, abs=1e-12)


def test_half_points_are_weighed_by_their_distance():
    pairs = [(0, 0.5), (4, 4), (3.5, 4), (2, 2), (1, 0.5)]
    doubled = [(int(2 * a), int(2 * b)) for a, b in pairs]
    labels = list(range(9))
    expected = cohen_kappa_score(*zip(*doubled, strict=True), labels=labels, weights="quadratic")
    assert weighted_kappa(pairs) == pytest.approx(expected, abs=1e-12)


def test_the_error_is_what_leaving_out_each_pair_gives():
    """The jackknife's own formula over scikit-learn's kappas."""
    draw = random.Random(4)
    first = [draw.randint(0, 4) for _ in range(25)]
    second = [min(4, max(0, a + draw.choice([-1, 0, 0, 1]))) for a in first]
    rest = [
        cohen_kappa_score(
            first[:k] + first[k + 1 :], second[:k] + second[k + 1 :], weights="quadratic"
        )
        for k in range(25)
    ]
    mean = sum(rest) / 25
    expected = math.sqrt(24 / 25 * sum((kappa - mean) ** 2 for kappa in rest))
    assert jackknife_error(list(zip(first, second, strict=True))) == pytest.approx(expected)


CLASSES = {  # the two markers' points -> how often
    "one point": {(1, 1): 80, (0, 0): 10, (0, 1): 5, (1, 0): 5},
    "two points": {(0, 0): 20, (0, 1): 5, (1, 0): 8, (1, 1): 25, (1, 2): 7, (2, 1): 5, (2, 2): 30},
    "four points": {(4, 4): 40, (3.5, 3.5): 20, (3, 3): 15, (4, 3.5): 5, (3, 3.5): 5, (2, 2): 10,
                    (2, 3): 5},
}  # fmt: skip


@pytest.mark.parametrize("size", [20, 40])
@pytest.mark.parametrize("marked", CLASSES)
def test_the_interval_covers_the_true_kappa(marked, size):
    """Classes drawn from one joint distribution: nine in ten intervals or more hold its kappa, and
    few (2.5 % would be exact) promise more agreement than there is."""
    cells, shares = zip(*CLASSES[marked].items(), strict=True)
    truth = weighted_kappa([c for c, n in CLASSES[marked].items() for _ in range(n)])
    draw = random.Random(5)
    found = [interval_95(draw.choices(cells, weights=shares, k=size)) for _ in range(400)]
    known = [interval for interval in found if interval]
    assert len(known) >= 300
    assert sum(low <= truth <= high for low, high in known) / len(known) >= 0.9
    assert sum(truth < low for low, _ in known) / len(known) <= 0.05
    assert all(-1 <= low < high <= 1 for low, high in known)


def test_nothing_to_say_without_spread():
    assert weighted_kappa([]) is None
    assert weighted_kappa([(1, 1)] * 12) is None  # both gave everybody the same
    perfect = agree([(0, 0), (1, 1)] * 6)
    assert (perfect["kappa"], perfect["exact"]) == (1.0, 1.0)
    assert (perfect["low"], perfect["high"]) == (None, None)
    alone = agree([(1, 1)] * 11 + [(0, 1)])  # without (0, 1) nothing has a spread
    assert (alone["low"], alone["high"]) == (None, None)


def test_few_pairs_have_no_interval():
    nine = [(0, 0), (1, 1), (0, 1), (1, 1), (0, 0), (1, 0), (1, 1), (0, 0), (1, 1)]
    assert agree(nine)["low"] is None
    ten = agree([*nine, (0, 0)])
    assert ten["low"] < ten["kappa"] < ten["high"]


def test_adjacent_is_one_point_apart():
    found = agree([(4, 4), (3, 4), (2, 4), (3.5, 4)])
    assert (found["exact"], found["adjacent"]) == (0.25, 0.75)
    assert agree([(0, 1), (1, 1)], adjacent=False)["adjacent"] is None


def test_a_class_marked_twice():
    flat = take(cents={"G3": -25.0})
    records = [
        grade(marks={"final_pitch": 4, "order": 1}),
        grade(flat, marks=[mark("final_pitch", 4, "In tune to my ear.")]),
        grade(flat),
    ]
    found = agreement(records)
    by_id = {one["id"]: one for one in found["criteria"]}
    assert (by_id["final_pitch"]["pairs"], by_id["final_pitch"]["exact"]) == (2, 0.5)
    assert by_id["final_pitch"]["adjacent"] == 1.0
    assert by_id["order"]["adjacent"] is None
    assert found["all"] == {"pairs": 3, "exact": pytest.approx(2 / 3)}
    (one,) = found["disagreements"]
    assert (one["measured"], one["teacher"], one["of"]) == (3, 4, 4)
    assert one["at_s"] == 50.0
    assert "25 cents too low" in one["text"]
    assert one["comment"] == "In tune to my ear."


@pytest.mark.parametrize(
    ("criterion", "at_s"),
    [
        ("final_pitch", 50.0),  # G, which stands furthest off, though in tune
        ("order", 12.0),  # the first turn
        ("sounding", 19.0),  # the largest turn, E's
        ("small_moves", 19.0),
        ("final_check", 33.8),  # the end of the last turn
    ],
)
def test_what_was_found_right_has_a_second_to_listen_at_too(criterion, at_s):
    strings = {"E5": {"moves": [move(19.0, 45.0)]}, "G3": {"cents": -6.0, "uncertainty": 0.1}}
    measured = take(strings=strings)
    assert row(grade(measured), criterion)["points"] == row(grade(measured), criterion)["of"]
    (one,) = agreement([grade(measured, marks={criterion: 0})])["disagreements"]
    assert one["at_s"] == at_s


def test_all_that_was_heard_is_told():
    flat = take(cents={"G3": -25.0, "D4": -6.0})
    (one,) = agreement([grade(flat, marks={"final_pitch": 4})])["disagreements"]
    assert "G string was left" in one["text"]
    assert "D string is close" in one["text"]


def test_criteria_come_in_the_rubrics_order():
    records = [grade(marks={"small_moves": 1}), grade(marks={"order": 0, "small_moves": 1})]
    assert [one["id"] for one in agreement(records)["criteria"]] == ["order", "small_moves"]


def test_one_pair_has_no_kappa():
    assert agree([(0, 1)])["kappa"] is None
    assert agree([(0, 1), (1, 1)])["kappa"] is not None


def test_criteria_only_the_teacher_can_mark_are_no_pairs():
    assert agreement([grade(marks={"bridge": 1, "answers": 2})]) is None
    assert agreement([]) is None


def test_the_largest_disagreement_comes_first():
    bad = take(cents={"E5": 40.0, "A4": 40.0, "D4": 40.0, "G3": -40.0})
    found = agreement([grade(take(cents={"D4": 5.5}), marks={"final_pitch": 4}),
                       grade(bad, marks={"final_pitch": 4})])  # fmt: skip
    assert [one["measured"] for one in found["disagreements"]] == [0, 3.5]
