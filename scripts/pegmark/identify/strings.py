"""Which open string each note is: one search over the whole take.

A string far out of tune is nearer to its neighbour's pitch than to its own, so no note can be
named alone. What names it is the path: a string that is turned moves little and smoothly, a
string that is taken up again stands where it was left, strings keep their order, and what is
left at the end is near pitch. The search keeps the likeliest readings of the take up to each
note (a beam, readings that agree on everything that matters later are merged) and then runs
backwards over what it kept, which gives every note the probability of its name: the
forward-backward algorithm (Rabiner 1989, sections III.A-B) on a pruned lattice.

Pitches are cents relative to A4 = 440 Hz; strings are counted from the highest (0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

from pegmark.identify.nobody import too_faint
from pegmark.records.note import SURE_PROBABILITY
from pegmark.records.problems import Problem, problem
from pegmark.trade import pitch
from pegmark.trade.instruments import FARTHEST_SHARE, Instrument

if TYPE_CHECKING:
    from pegmark.records.take import NamedNote, Notes, Strings

BEAM = 24  # readings kept per string last sounded; 12 gave the same names in simulation
NAMING_SAME_CENTS = 30.0  # notes in a row this close are one string: a tenth of a string's distance
CLOSEST_CENTS = 250.0  # neighbouring strings do not come closer (common practice, no source)
CLOSEST_SD_CENTS = 40.0  # how softly that holds
CLOSEST_FLOOR = -12.0  # log odds: two strings at one pitch are unlikely, not impossible
# Further out than 450 cents (and what a coarse pitch may be off) or `FARTHEST_SHARE`, a string's
# reading is not trusted: in simulation the first wrong names appear there.
FARTHEST_CENTS = 460.0
FAR_PROBABILITY = 0.9  # of such a reading, at most
HARMONIC_CENTS = 30.0  # a touched harmonic stands this close to its partial
NAMING_PARTIALS = (2, 3, 4)  # the harmonics touched when tuning
PLAYED = ("plucked", "bowed")  # notes of one open string
# Mixtures of normal distributions about zero, (weight, standard deviation in cents): tuned in
# simulation (scripts/lab/benchmark_identify.py) for few unsure and no wrong names, not learnt.
FIRST = ((0.70, 130.0), (0.30, 280.0))  # a string heard for the first time, from its target
STAY = ((0.55, 4.0), (0.30, 25.0), (0.13, 100.0), (0.02, 300.0))  # the same string again
RETURN = ((0.76, 6.0), (0.14, 45.0), (0.08, 150.0), (0.02, 300.0))  # after another string
LEFT = ((0.70, 25.0), (0.22, 130.0), (0.08, 350.0))  # at the end, from the target
UNHEARD_PROBABILITY = 0.05  # a string that is never sounded
FOREIGN_PROBABILITY = 0.001  # a sound that is none of the strings ...
FOREIGN_FAINT_DB = 10.0  # ... is likelier for a note this much fainter over the noise than most
FOREIGN_TENFOLD_DB = 7.0  # ... ten times for each further so many dB
FOREIGN_MOST_PROBABILITY = 0.05
FOREIGN_CENTS = 6000.0  # ... lies anywhere in this range
FOREIGN_AGAIN_PROBABILITY = 0.3  # ... and comes again at the same pitch
FOREIGN_AGAIN_MOST = 8  # ... the first few times; then it says nothing new
LEAVE_PROBABILITY = 0.3  # the next note (if it is not at the same pitch) is on another string
NEIGHBOUR_WEIGHT = 2.0  # a neighbour is likelier next than a string further away
OTHER_INSTRUMENT_PROBABILITY = 0.01  # before listening: the roster names the wrong instrument
OTHER_INSTRUMENT_NOTES = 3  # fewer notes than this never say so


def name_strings(notes_record: Notes, instrument: Instrument) -> Strings:
    """Name the string of every note.

    Parameters
    ----------
    notes_record
        What `pegmark.segment.notes.find_notes` gave; not changed.
    instrument
        The instrument of the roster.

    Returns
    -------
    A copy whose notes carry "string" (two_strings: of the lower pitch, and "string_2" of the
    upper) and "string_odds", the probability of that answer. A null string with
    `SURE_PROBABILITY` or more is surely none of the strings; with less it is one of them, and
    which is unsure. Problems "string_unsure" and "wrong_instrument" are added where they hold.
    """
    blank = {"string": None, "string_odds": 1.0}
    notes = [cast("NamedNote", {**note, **blank}) for note in notes_record["notes"]]
    for note in notes:
        if note["kind"] == "two_strings":
            note["string_2"] = None
    problems: list[Problem] = []
    runs = _runs(notes)
    if runs:
        search = _Search(instrument.strings, runs)
        _give_names(notes, runs, search.probabilities(), instrument)
        _name_harmonics(notes, instrument)
        problems += _unsure_problem(notes, instrument)
        problems += _wrong_instrument(notes, runs, search.log_likelihood, instrument)
    return {
        **notes_record,
        "notes": notes,
        "problems": notes_record["problems"] + problems,
    }


@dataclass
class _Run:
    """Notes in a row at one pitch: `index` into the notes, first and last pitch in cents.

    `first` and `last` hold one pitch, or two (lower, upper) for two strings together.
    """

    index: list[int]
    first: tuple[float, ...]
    last: tuple[float, ...]
    foreign_probability: float = FOREIGN_PROBABILITY


def _cents(f_hz: float) -> float:
    return 1200 * math.log2(f_hz / pitch.A4_HZ)


def _runs(notes: list[NamedNote]) -> list[_Run]:
    runs: list[_Run] = []
    faint = too_faint(notes)
    for i, note in enumerate(notes):
        if faint[i] or note["kind"] in ("harmonic", "reference_tone"):
            continue
        pitches_hz = (note["f0_hz"], note.get("f0_2_hz"))
        heights = [_cents(f_hz) for f_hz in pitches_hz if f_hz]
        if note["kind"] != "two_strings":
            heights = heights[:1]
        if not heights:
            continue
        here = tuple(sorted(heights))
        if runs and _close(runs[-1].last, here):
            runs[-1].index.append(i)
            runs[-1].last = here
        else:
            runs.append(_Run([i], here, here))
    _weigh_faintness(notes, runs)
    return runs


def _weigh_faintness(notes: list[NamedNote], runs: list[_Run]) -> None:
    """Set how likely each run is no string: speech and neighbours are fainter than most notes."""
    known = [snr for run in runs for i in run.index if (snr := notes[i].get("snr_db"))]
    if not known:
        return
    usual = float(np.median(known))
    for run in runs:
        clearest = max((notes[i].get("snr_db") or usual for i in run.index), default=usual)
        faint = max(usual - clearest - FOREIGN_FAINT_DB, 0.0)
        likelier = FOREIGN_PROBABILITY * 10 ** (faint / FOREIGN_TENFOLD_DB)
        run.foreign_probability = min(likelier, FOREIGN_MOST_PROBABILITY)


def _close(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return len(a) == len(b) and all(
        abs(x - y) <= NAMING_SAME_CENTS for x, y in zip(a, b, strict=True)
    )


def _log_mixture(x: np.ndarray, parts: tuple[tuple[float, float], ...]) -> np.ndarray:
    """Log density per cent of a mixture of normal distributions about zero."""
    weight = np.array([w / (sd * math.sqrt(2 * math.pi)) for w, sd in parts])
    scale = np.array([-0.5 / sd**2 for _, sd in parts])
    return np.log(np.exp(np.square(x)[..., None] * scale) @ weight + 1e-30)


class _Search:
    """The search over one take's runs for one set of strings.

    A reading is (string last sounded, last pitch of every string). `log_likelihood` is the log
    probability density of all runs, summed over the readings kept.
    """

    def __init__(self, strings: tuple[str, ...], runs: list[_Run]):
        self.count = len(strings)
        self.targets = np.array([_cents(pitch.equal_hz(s)) for s in strings])
        self.runs = runs
        order = np.arange(self.count)
        self.side = np.sign(order[:, None] - order[None, :])  # +1: the other string is higher
        self.room = CLOSEST_CENTS * np.abs(order[:, None] - order[None, :])
        self.moves = self._moves()
        # One layer per run: the parent of each edge, its label, its child, its log weight.
        self.layers: list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]] = []
        self.alpha: list[np.ndarray] = []
        self.ends = self._forward()
        self.log_likelihood = float(np.logaddexp.reduce(self.ends + self.alpha[-1]))

    def _moves(self) -> np.ndarray:
        """Log probability of the next string (column) after the last one (row; last: none)."""
        n = self.count
        table = np.full((n + 1, n), 1.0 / n)
        for s in range(n):
            others = np.array(
                [0.0 if o == s else NEIGHBOUR_WEIGHT if abs(o - s) == 1 else 1.0 for o in range(n)]
            )
            if others.sum():
                table[s] = LEAVE_PROBABILITY * others / others.sum()
            table[s, s] = 1 - LEAVE_PROBABILITY
        return np.log(table + 1e-12)

    def _crowding(self, last: np.ndarray, string: np.ndarray) -> np.ndarray:
        """Log penalty, (readings,): how far `string` stands too close to those heard."""
        here = last[np.arange(len(last)), string]
        with np.errstate(invalid="ignore"):
            apart = (last - here[:, None]) * self.side[string] - self.room[string]
        apart = np.where(np.isnan(apart), 0.0, np.minimum(apart, 0.0))
        return np.maximum(-0.5 * (apart / CLOSEST_SD_CENTS) ** 2, CLOSEST_FLOOR).sum(axis=1)

    def _forward(self) -> np.ndarray:
        n = self.count
        last = np.full((1, n), np.nan)  # last pitch of every string
        seen = np.zeros((1, n), dtype=np.int64)  # 2 x the run it was last heard in (+1: as upper)
        now = np.array([n])  # string last sounded, n: none yet
        alpha = np.zeros(1)
        for k, run in enumerate(self.runs, start=1):
            options: list[tuple[int, ...]] = [(s,) for s in range(n)]
            if len(run.first) == 2:  # neighbours only; the lower pitch is the later string
                options = [(s + 1, s) for s in range(n - 1)]
            new_last, new_seen, new_now, weights, labels = [], [], [], [], []
            for label, strings in enumerate(options):
                to, at, w = last.copy(), seen.copy(), np.zeros(len(last))
                step = self.moves[now, strings[0]]
                if len(strings) == 2:
                    step = np.maximum(step, self.moves[now, strings[1]])
                for upper, string in enumerate(strings):
                    first, end = run.first[upper], run.last[upper]
                    w += self._pitch_log_density(last[:, string], now == string, first, string)
                    at[:, string] = 2 * k + upper
                    for height in dict.fromkeys((first, end)):
                        to[:, string] = height
                        w += self._crowding(to, np.full(len(to), string))
                new_last.append(to)
                new_seen.append(at)
                new_now.append(np.full(len(to), strings[0]))
                weights.append(w + step + math.log(1 - run.foreign_probability))
                labels.append(np.full(len(to), label))
            new_last.append(last)
            new_seen.append(seen)
            new_now.append(now)
            foreign = math.log(run.foreign_probability) - len(run.first) * math.log(FOREIGN_CENTS)
            foreign += min(len(run.index) - 1, FOREIGN_AGAIN_MOST) * math.log(
                FOREIGN_AGAIN_PROBABILITY
            )
            weights.append(np.full(len(last), foreign))
            labels.append(np.full(len(last), len(options)))
            parents = np.tile(np.arange(len(last)), len(options) + 1)
            last, seen = np.concatenate(new_last), np.concatenate(new_seen)
            now, label_of = np.concatenate(new_now), np.concatenate(labels)
            weight = np.concatenate(weights)
            last, seen, now, alpha = self._keep(
                last, seen, now, alpha[parents] + weight, parents, label_of, weight
            )
        heard = ~np.isnan(last)
        out = np.where(heard, last - self.targets, 0.0)
        near = _log_mixture(out, LEFT) - _log_mixture(np.zeros(1), LEFT)
        return np.where(heard, near, math.log(UNHEARD_PROBABILITY)).sum(axis=1)

    def _pitch_log_density(
        self, before: np.ndarray, same: np.ndarray, height: float, string: int
    ) -> np.ndarray:
        """Log density, (readings,), of hearing `string` at `height`."""
        new = np.isnan(before)
        change = height - np.where(new, height, before)
        first = _log_mixture(np.array(height - self.targets[string]), FIRST)
        again = np.where(same, _log_mixture(change, STAY), _log_mixture(change, RETURN))
        return np.where(new, first, again)

    def _keep(
        self,
        last: np.ndarray,
        seen: np.ndarray,
        now: np.ndarray,
        score: np.ndarray,
        parents: np.ndarray,
        labels: np.ndarray,
        weight: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Merge equal readings, keep the best `BEAM` per string last sounded, store the layer."""
        key = now.astype(np.int64)
        for s in range(self.count):
            key = key * (2 * len(self.runs) + 3) + seen[:, s]
        _, where, child = np.unique(key, return_index=True, return_inverse=True)
        top = score.max()
        alpha = np.log(np.bincount(child, np.exp(score - top)) + 1e-300) + top
        rank = np.lexsort((-alpha, now[where]))
        group = now[where][rank]
        place = np.arange(len(rank)) - np.searchsorted(group, group)
        kept = np.sort(rank[place < BEAM])
        renumber = np.full(len(where), -1)
        renumber[kept] = np.arange(len(kept))
        child = renumber[child]
        on = child >= 0
        self.layers.append((parents[on], labels[on], child[on], weight[on]))
        self.alpha.append(alpha[kept])
        chosen = where[kept]
        return last[chosen], seen[chosen], now[chosen], alpha[kept]

    def probabilities(self) -> list[np.ndarray]:
        """Per run, the probability of every option; the last one is 'none of the strings'."""
        beta = self.ends
        found: list[np.ndarray] = []
        for k in range(len(self.layers) - 1, -1, -1):
            parents, labels, child, weight = self.layers[k]
            before = self.alpha[k - 1] if k else np.zeros(1)
            onward = weight + beta[child]
            through = np.exp(before[parents] + onward - self.log_likelihood)
            count = self.count + 1 if len(self.runs[k].first) == 1 else self.count
            found.append(np.bincount(labels, through, minlength=count))
            top = onward.max()
            total = np.bincount(parents, np.exp(onward - top), minlength=len(before))
            beta = np.log(total + 1e-300) + top
        return found[::-1]


def _give_names(
    notes: list[NamedNote],
    runs: list[_Run],
    probabilities: list[np.ndarray],
    instrument: Instrument,
) -> None:
    strings = instrument.strings
    for run, probability in zip(runs, probabilities, strict=True):
        best = int(np.argmax(probability))
        share = min(float(probability[best] / probability.sum()), 1.0)
        for i in run.index:
            notes[i]["string_odds"] = share
            if share < SURE_PROBABILITY or best == len(probability) - 1:
                continue
            if len(run.first) == 2:
                notes[i]["string"], notes[i]["string_2"] = strings[best + 1], strings[best]
            else:
                notes[i]["string"] = strings[best]
    _doubt_far_strings(notes, instrument)


def _doubt_far_strings(notes: list[NamedNote], instrument: Instrument) -> None:
    """Take back the names of a string that would have stood too far from its target."""
    hz = instrument.hz()
    farthest = min(FARTHEST_CENTS, FARTHEST_SHARE * 100 * instrument.interval)
    far = {
        note["string"]
        for note in notes
        if note["string"] and abs(pitch.cents_between(note["f0_hz"], hz[note["string"]])) > farthest
    }
    for note in notes:
        if note["string"] in far or note.get("string_2") in far:
            note["string"], note["string_odds"] = None, min(note["string_odds"], FAR_PROBABILITY)
            if note["kind"] == "two_strings":
                note["string_2"] = None


def _name_harmonics(notes: list[NamedNote], instrument: Instrument) -> None:
    """Name the string a harmonic was touched on, when only one string's partials fit.

    Neighbours share partials (that is why bassists tune by them), so many stay without a name.
    """
    for note in notes:
        if note["kind"] != "harmonic" or not note.get("f0_hz"):
            continue
        fits = []
        for string, target_hz in instrument.hz().items():
            sounding = [n for n in notes if n["string"] == string and n["kind"] in PLAYED]
            near = min(sounding, key=lambda n: abs(n["start_s"] - note["start_s"]), default=None)
            open_hz = near["f0_hz"] if near else target_hz
            apart = min(
                abs(pitch.cents_between(note["f0_hz"], open_hz * n)) for n in NAMING_PARTIALS
            )
            if apart <= HARMONIC_CENTS:
                fits.append(string)
        note["string_odds"] = 1.0 / max(len(fits), 1)
        if len(fits) == 1:
            note["string"] = fits[0]


def _unsure_problem(notes: list[NamedNote], instrument: Instrument) -> list[Problem]:
    unsure = [n for n in notes if n["string"] is None and n["string_odds"] < SURE_PROBABILITY]
    unsure = [n for n in unsure if n["kind"] != "harmonic"]
    if not unsure:
        return []
    count = "One note" if len(unsure) == 1 else f"{len(unsure)} notes"
    times = ", ".join(_clock(n["start_s"]) for n in unsure[:4])
    more = f" and {len(unsure) - 4} more" if len(unsure) > 4 else ""
    return [
        problem(
            "string_unsure",
            f"{count} could be more than one of the strings (at {times}{more}).",
            f"Listen there which of {', '.join(instrument.strings)} is played.",
        )
    ]


def _clock(seconds: float) -> str:
    return f"{int(seconds // 60)}:{int(seconds % 60):02d}"


def _wrong_instrument(
    notes: list[NamedNote], runs: list[_Run], log_likelihood: float, instrument: Instrument
) -> list[Problem]:
    """Whether another instrument's strings explain the take far better."""
    heard = sum(len(run.index) for run in runs)
    named = {n["string"] for n in notes} | {n.get("string_2") for n in notes}
    if heard < OTHER_INSTRUMENT_NOTES or set(instrument.strings) <= named:
        return []
    best, best_log_likelihood = None, log_likelihood
    for name, strings in instrument.usual.items():
        if strings != instrument.strings:
            other = _Search(strings, runs).log_likelihood
            if other > best_log_likelihood:
                best, best_log_likelihood = name, other
    needed = math.log((1 - OTHER_INSTRUMENT_PROBABILITY) / OTHER_INSTRUMENT_PROBABILITY)
    needed += math.log(SURE_PROBABILITY / (1 - SURE_PROBABILITY))
    if best is None or best_log_likelihood - log_likelihood < needed:
        return []
    return [
        problem(
            "wrong_instrument",
            f"This sounds like a {best} ({', '.join(instrument.usual[best])}), and it was handed "
            f"in as a {instrument.name}.",
            f"If it is one, write {best} in the instrument column of roster.csv: then it is graded "
            "as that. Else look whose recording it is.",
        )
    ]
