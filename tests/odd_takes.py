"""Takes and rubrics drawn at random: what no student plays, and what any may."""

import itertools

from pegmark.settings.rubric import DEFAULTS, check_rubric
from takes import INSTRUMENTS, move, take


def odd_take(draw):
    """A take in which much is unknown, contradictory or out of any usual range."""
    measured = take(draw.choice(list(INSTRUMENTS)))
    names = INSTRUMENTS[measured["instrument"]].strings
    for state in measured["strings"].values():
        state["heard"] = draw.choice(["heard"] * 6 + ["unsure", "not_heard"])
        fields = ("deviation_cents", "uncertainty_cents", "at_s", "start_cents", "tuned_as",
                  "drift_cents", "slipped_cents", "settled_s", "checked_s", "deciding")  # fmt: skip
        for field in draw.sample(fields, draw.choice([0, 0, 0, 3])):
            state[field] = None
        if draw.random() < 0.4:
            state["moves"] = odd_moves(draw)
        if state["deviation_cents"] is not None:
            state["deviation_cents"] += draw.choice([0, 3, 8, draw.uniform(-300, 300)])
        if draw.random() < 0.2:
            state["slipped_cents"] = draw.uniform(0, 300)
    for note in measured["notes"]:
        fields = ("string", "f0_hz", "deviation_cents", "uncertainty_cents", "snr_db",
                  "string_odds", "attack_drift_cents")  # fmt: skip
        for field in draw.sample(fields, draw.choice([0, 0, 0, 2])):
            note[field] = None
        if draw.random() < 0.1:
            note["kind"] = draw.choice(["harmonic", "reference_tone", "two_strings", "plucked"])
            note["string_2"] = draw.choice(names)
    measured["order"] = draw.sample(measured["order"], draw.randint(0, len(measured["order"])))
    if draw.random() < 0.2:
        measured["intervals"] = [
            {"string": names[0], "string_2": names[1], "interval_cents": draw.uniform(-30, 30),
             "beats_hz": 1.0, "at_s": draw.uniform(0, 60), "uncertainty_cents": 1.0}
        ]  # fmt: skip
    if draw.random() < 0.1:
        measured["notes"] = []
        del measured["strings"][names[-1]]
    return measured


def odd_moves(draw):
    at_s, cents, moves = 10.0, draw.uniform(-400, 400), []
    for _ in range(draw.randint(0, 6)):
        start_s, to = at_s + draw.uniform(0, 3), cents + draw.uniform(-200, 200)
        at_s = start_s + draw.choice([0, 0.01, 0.5, 2])
        moves.append({"start_s": start_s, "end_s": at_s, "from_cents": cents, "to_cents": to,
                      "sounding": draw.choice([True, False, None])})  # fmt: skip
        cents = to + draw.choice([0, 0, -30])
    return moves


def odd_rubric(draw):
    """Every kind, with points that do not divide evenly and allowances of all sizes."""
    settings_of = {
        "order": {"levels": {"wrong": draw.choice([0, 0.5])}},
        "sounding_while_turning": {"silent_moves_allowed": draw.randint(0, 2)},
        "small_moves": {"large_moves_allowed": draw.randint(0, 2),
                        "no_turns": draw.choice(["full", "open"])},
        "final_check": {"strings_missing_allowed": draw.randint(0, 2),
                        "bowed": draw.choice([True, False])},
        "method_used": {"unheard": draw.choice(["open", "lost"])},
    }  # fmt: skip
    criteria = [
        {"id": kind, "title": "It", "points": draw.choice([0.5, 1, 3.33, 10]), "kind": kind,
         **settings_of.get(kind, {})}
        for kind in DEFAULTS
    ]  # fmt: skip
    return check_rubric({"criteria": criteria}, "rubric.yaml")


def drawn_take(draw):
    """A take that a student may well hand in: any order, any turns, anything left out."""
    key = draw.choice(list(INSTRUMENTS))
    names = list(INSTRUMENTS[key].strings)
    strings = {name: drawn_string(draw, place) for place, name in enumerate(names)}
    if draw.random() < 0.15:  # nothing was turned
        strings = {name: {**one, "moves": [], "settled_s": None} for name, one in strings.items()}
    pairs = {pair: draw.gauss(0, 6) for pair in itertools.pairwise(names) if draw.random() < 0.3}
    tone = draw.choice([None, None, 440.0, 442.5, 221.0, 415.0])
    measured = take(key, strings=strings, order=draw.sample(names, len(names)), tone_hz=tone,
                    pairs=pairs)  # fmt: skip
    for note in measured["notes"]:
        if draw.random() < 0.1:
            note.update(snr_db=draw.choice([5.0, 30.0]), string_odds=draw.choice([0.6, 0.99]))
    return measured


def drawn_string(draw, place):
    """What one string of such a take does."""
    if draw.random() < 0.05:
        return {"heard": "not_heard"}
    cents = draw.choice([0.0, 2.5, -2.5, draw.gauss(0, 5), draw.gauss(0, 40)])
    start_s, moves, at = 8.0 + 8.0 * place, [], cents
    for _ in range(draw.choice([0, 1, 1, 1, 2, 3])):
        size = draw.choice([30.0, -30.0, 6.0, -6.0, draw.uniform(-150, 150)])
        turned = move(start_s, size, at, draw.choice([True, True, True, False, None]))
        if draw.random() < 0.5:
            turned["uncertainty_cents"] = draw.choice([0.5, 3.0, 15.0])
        moves.append(turned)
        start_s, at = moves[-1]["end_s"] + 1.0, at + draw.choice([0.0, 0.0, 8.0, -20.0])
    fields = {"cents": cents, "moves": moves, "settled_s": moves[-1]["end_s"] if moves else None,
              "uncertainty": draw.choice([0.3, 0.8, 2.0, 6.0])}  # fmt: skip
    if draw.random() < 0.15:
        fields |= {"checked_s": None}
    if draw.random() < 0.1:
        fields |= {"heard": "unsure"}
    if draw.random() < 0.15:
        fields |= {"slipped_cents": draw.uniform(5, 120), "start_cents": cents}
    return fields
