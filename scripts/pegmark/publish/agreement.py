"""The second marker: how far the teacher's points and the measured ones agree.

Wherever the teacher has marked a criterion that was measured too, the two are a pair. Per
criterion: the share of exact agreement, of adjacent agreement (at most one point apart, where the
criterion has more than one), and Cohen's kappa with quadratic weights and its 95 % interval.
A kappa of 0.70 is the usual yardstick for a machine beside a person (Williamson, Xi & Breyer
2012; from memory). Who has seen the measured points before marking agrees more with them.

Methods: weighted kappa, Cohen (1968). Its interval is the jackknife's (Quenouille & Tukey) on
Fisher's z scale, as Lin (1989) and Carrasco et al. (2007) take it for concordance, which quadratic
kappa is a form of (from memory). In classes of 10 to 60 the large-sample interval of Fleiss, Cohen
& Everitt (1969) held the true kappa in 78 to 93 % of draws instead of 95, too sure that the two
agree; this one in 86 to 99 %. A kappa is null where chance alone would agree (one of the two gave
everybody the same) and of a single pair, its interval null below `MIN_PAIRS` pairs or where the
pairs show no spread to estimate it from.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from pegmark.publish.class_records import counted_from

if TYPE_CHECKING:
    from pegmark.records.student import Criterion, Record

MIN_PAIRS = 10  # fewer say nothing about an interval
ADJACENT_POINTS = 1.0


def agreement(records: Iterable[Record]) -> dict[str, Any] | None:
    """The agreement of the teacher's points with the measured ones; None without any pair.

    Returns ``criteria``: one entry per criterion in the rubric's order {id, title, of, pairs,
    exact, adjacent, kappa, low, high} (shares from 0 to 1); ``all``: {pairs, exact};
    ``disagreements``: {student_id, criterion, title, measured, teacher, of, at_s, text, comment},
    the largest share of the points first.
    """
    pairs: dict[str, list[tuple[float, float]]] = {}
    rows: dict[str, Criterion] = {}
    order: dict[str, int] = {}  # of the rubric: the same in every record of a class
    disagreements = []
    for record in records:
        for row in record["score"]["criteria"]:
            order.setdefault(row["id"], len(order))
            measured, given = row["measured_points"], row["points"]
            if row["by"] != "teacher" or measured is None or given is None:
                continue
            rows.setdefault(row["id"], row)
            pairs.setdefault(row["id"], []).append((measured, given))
            if measured != given:
                disagreements.append(_disagreement(record, row))
    if not pairs:
        return None
    every = [pair for some in pairs.values() for pair in some]
    return {
        "criteria": [
            {key: rows[one][key] for key in ("id", "title", "of")}
            | agree(some, adjacent=rows[one]["of"] > ADJACENT_POINTS)
            for one, some in sorted(pairs.items(), key=lambda pair: order[pair[0]])
        ],
        "all": {"pairs": len(every), "exact": _share([a == b for a, b in every])},
        "disagreements": sorted(disagreements, key=_apart),
    }


def agree(pairs: Sequence[tuple[float, float]], adjacent: bool = True) -> dict[str, Any]:
    """Exact and adjacent agreement and kappa of pairs of points."""
    kappa = weighted_kappa(pairs) if len(pairs) > 1 else None
    low, high = interval_95(pairs) or (None, None)
    near = [abs(a - b) <= ADJACENT_POINTS + 1e-9 for a, b in pairs]
    return {
        "pairs": len(pairs),
        "exact": _share([a == b for a, b in pairs]),
        "adjacent": _share(near) if adjacent else None,
        "kappa": kappa,
        "low": low,
        "high": high,
    }


def interval_95(pairs: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """The 95 % interval of the quadratic-weighted kappa; None where pairs are too few or alike."""
    kappa = weighted_kappa(pairs) if len(pairs) >= MIN_PAIRS else None
    if kappa is None or abs(kappa) >= 1:
        return None
    error = jackknife_error(pairs)
    if not error:
        return None
    from pegmark.statistics.student_t import student_95

    half = student_95(len(pairs) - 1) * error / (1 - kappa * kappa)  # d atanh(k) = dk / (1 - k^2)
    return math.tanh(math.atanh(kappa) - half), math.tanh(math.atanh(kappa) + half)


def jackknife_error(pairs: Sequence[tuple[float, float]], power: float = 2.0) -> float | None:
    """The standard error of the weighted kappa by leaving out each pair in turn.

    None where the kappa of the rest does not exist: one pair alone makes the spread.
    """
    n, counts = len(pairs), Counter(pairs)
    rest: list[tuple[float, int]] = []
    for pair, count in counts.items():
        kappa = weighted_kappa(list((counts - Counter([pair])).elements()), power)
        if kappa is None:
            return None
        rest.append((kappa, count))
    mean = sum(kappa * count for kappa, count in rest) / n
    return math.sqrt((n - 1) / n * sum(count * (kappa - mean) ** 2 for kappa, count in rest))


def weighted_kappa(pairs: Sequence[tuple[float, float]], power: float = 2.0) -> float | None:
    """Cohen's weighted kappa of two markers, or None where it does not exist.

    Parameters
    ----------
    pairs : the two markers' points for each piece of work; disagreement is weighed by their
        distance, so points need not be whole or evenly spaced
    power : of the distance: 2 quadratic, 1 linear, 0 any difference counts the same
    """
    n = len(pairs)
    if n == 0:
        return None
    joint = {cell: count / n for cell, count in Counter(pairs).items()}
    first, second = _margin(joint, 0), _margin(joint, 1)
    values = {*first, *second}
    largest = max(values) - min(values)
    if largest == 0:
        return None

    def weight(a: float, b: float) -> float:
        if a == b:
            return 1.0
        return 1.0 - (abs(a - b) / largest) ** power if power else 0.0

    observed = sum(share * weight(a, b) for (a, b), share in joint.items())
    chance = sum(p * q * weight(a, b) for a, p in first.items() for b, q in second.items())
    if chance >= 1:
        return None
    return (observed - chance) / (1 - chance)


def _margin(joint: dict[tuple[float, float], float], place: int) -> dict[float, float]:
    """The shares of one marker's points."""
    shares: dict[float, float] = {}
    for cell, share in joint.items():
        shares[cell[place]] = shares.get(cell[place], 0.0) + share
    return shares


def _share(answers: Sequence[bool]) -> float:
    return sum(answers) / len(answers)


def _disagreement(record: Record, row: Criterion) -> dict[str, Any]:
    """One disagreement, with what was heard, and the second to listen at."""
    heard = sorted(row["evidence"], key=lambda item: -item["lost"])
    at_s = heard[0]["at_s"] if heard else None
    return {
        "student_id": record["student"]["student_id"],
        "criterion": row["id"],
        "title": row["title"],
        "measured": row["measured_points"],
        "teacher": row["points"],
        "of": row["of"],
        "at_s": _to_listen_at(record, row["kind"]) if at_s is None else at_s,
        "text": " ".join(item["text"] for item in heard),
        "comment": row["comment"],
    }


def _to_listen_at(record: Record, kind: str) -> float | None:
    """Where to listen for what was found to be right: its first, last or largest turn, or the
    string that stands furthest off; None where there is no such thing."""
    strings = record["strings"].values()
    moves = [move for string in strings for move in string["moves"]]
    last_turn_s = record.get("last_turn_s")
    if kind == "final_check" and last_turn_s is not None:
        return last_turn_s
    if kind == "order" and moves:
        return min(move["start_s"] for move in moves)
    if kind in ("sounding_while_turning", "small_moves") and moves:
        largest = max(moves, key=lambda move: abs(move["to_cents"] - move["from_cents"]))
        return largest["start_s"]
    known = [(abs(cents), s) for s in strings if (cents := counted_from(s)) is not None]
    return max(known, key=lambda item: item[0])[1]["at_s"] if known else None


def _apart(row: dict[str, Any]) -> tuple[float, str, str]:
    """The largest share of the points first, then by student and criterion."""
    return -abs(row["measured"] - row["teacher"]) / row["of"], row["student_id"], row["criterion"]
