"""How a player's strings sound, note by note, and what is true of each note."""

from __future__ import annotations

from typing import Any

import numpy as np

from lab import strings
from lab.events import Performance

RING_DB = 40.0  # a note's stated end: where it has fallen this far, unless it was stopped before


class Timbre:
    """How this player's strings sound: fixed for a take."""

    def __init__(self, take: Performance, rate_hz: int) -> None:
        player, rng = take.player, np.random.default_rng([take.player.seed, 13])
        self.take, self.rate_hz, self.player = take, rate_hz, player
        usual = strings.Body.of(take.instrument.name, player.seed, player.pull_cents)
        self.body = player.body or usual
        most = 4e-4 if take.instrument.name == "double bass" else 1e-4
        stiff = player.stiffness
        self.b = {s: stiff * float(rng.uniform(0, most)) for s in take.instrument.strings}
        self.t60 = {
            s: player.ring * float(2.2 * np.sqrt(220 / hz) * rng.uniform(0.7, 1.3))
            for s, hz in take.hz.items()
        }
        self.position = float(rng.uniform(0.12, 0.27))

    def sound(
        self, number: int, note: dict[str, Any], stop_s: float
    ) -> tuple[np.ndarray, dict[str, Any]]:
        """One note's audio from its start, and the generator's truth."""
        rng = np.random.default_rng([self.player.seed, number, 17])
        seed = int(rng.integers(2**31))
        f0_hz, path = self._pitch(note["string"], note["start_s"])
        kind = note["kind"]
        if kind == "two_strings":
            high_hz, _ = self._pitch(note["string_2"], note["start_s"])
            return strings.two_strings(
                f0_hz, high_hz, note["seconds"], self.rate_hz, seed=seed, body=self.body,
                wander_cents=self.player.wander_cents, balance_db=rng.uniform(-4, 4),
            )  # fmt: skip
        if kind == "harmonic":
            return strings.touched_harmonic(
                f0_hz, note["node"], note["seconds"], self.rate_hz, seed=seed, by=note["by"],
                body=self.body, level=0.15,
            )  # fmt: skip
        if kind == "bowed":
            pressed = np.random.default_rng([self.player.seed, number, 43]).normal()
            f0_hz *= 2 ** (self.player.pressure_cents * pressed / 1200)
            return self._bowed(note, f0_hz, path, stop_s - note["start_s"], seed, rng)
        place = self.position
        if self.player.positions:
            place = self.player.positions[number % len(self.player.positions)]
        return self._plucked(note, f0_hz, path, stop_s - note["start_s"], seed, rng, place)

    def _pitch(self, string: str, start_s: float) -> tuple[float, strings.CentsPath]:
        """The pitch at a time and, where the peg turns later, the way from it on."""
        corners = np.array(self.take.paths[string])
        here = float(np.interp(start_s, corners[:, 0], corners[:, 1]))
        later = corners[corners[:, 0] > start_s]
        f0_hz = self.take.hz[string] * 2 ** (here / 1200)
        if not len(later) or np.all(np.abs(later[:, 1] - here) < 1e-9):
            return f0_hz, None
        return f0_hz, [(0.0, 0.0), *((float(t - start_s), float(c - here)) for t, c in later)]

    def _bowed(
        self,
        note: dict[str, Any],
        f0_hz: float,
        path: strings.CentsPath,
        seconds: float,
        seed: int,
        rng: Any,
    ) -> tuple[np.ndarray, dict[str, Any]]:
        more: dict[str, Any] = {
            "seed": seed, "wander_cents": self.player.wander_cents, "path": path,
            "level": rng.uniform(0.2, 0.35), "stop_s": note.get("stop_s"),
            "swell_db": note.get("swell_db", ()),
        }  # fmt: skip
        if (ring_s := note.get("ring_s")) is not None:  # until the string is sounded again
            more["ring_s"] = float(np.clip(seconds - note["seconds"], 0.05, ring_s))
        if self.player.real:
            from lab import samples

            name = self.take.instrument.name
            return samples.bowed(name, f0_hz, note["seconds"], self.rate_hz, **more)
        more |= {"body": self.body, "changes_s": note["changes_s"], "attack_s": note["attack_s"]}
        return strings.bow(f0_hz, note["seconds"], self.rate_hz, **more)

    def _plucked(
        self,
        note: dict[str, Any],
        f0_hz: float,
        path: strings.CentsPath,
        seconds: float,
        seed: int,
        rng: Any,
        position: float,
    ) -> tuple[np.ndarray, dict[str, Any]]:
        loudness = rng.uniform(0.2, 0.9)
        level = 0.1 + 0.2 * loudness
        if self.player.real and self.take.instrument.name == "double bass":
            from lab import samples

            return samples.plucked(
                "plucked bass", f0_hz, seconds, self.rate_hz, path=path, level=level,
                velocity=int(60 + 50 * loudness),
            )  # fmt: skip
        low, high = self.player.glide_cents
        return strings.pluck(
            f0_hz, seconds, self.rate_hz, seed=seed, body=self.body, path=path,
            b=self.b[note["string"]], t60_s=self.t60[note["string"]],
            position=position * rng.uniform(0.9, 1.1), loudness=loudness,
            glide_cents=low + (high - low) * loudness**2, level=level,
            polarization_cents=self.player.false_cents,
        )  # fmt: skip

    def sympathy(self, note: dict[str, Any], size: int, level: float) -> np.ndarray:
        """What the other open strings add: partials shared with the note, at their own pitch."""
        t = np.arange(size) / self.rate_hz
        out = np.zeros(size)
        names = {note["string"], note.get("string_2")}
        f0_hz, _ = self._pitch(note["string"], note["start_s"])
        for string in self.take.instrument.strings:
            if string in names:
                continue
            own_hz, _ = self._pitch(string, note["start_s"])
            for n in range(1, 9):
                m = round(n * f0_hz / own_hz)
                if m < 1 or m > 10:
                    continue
                apart = 1200 * np.log2(n * f0_hz / (m * own_hz))
                amplitude = 0.06 * level / n / np.hypot(1, apart / 8)
                if amplitude < 0.001 * level:
                    continue
                fall = 6.9 / self.t60[string] * (1 + (m * own_hz / 1500) ** 1.5)
                swell = (1 - np.exp(-t / 0.12)) * np.exp(-fall * t)
                out += amplitude * swell * np.sin(2 * np.pi * m * own_hz * t)
        return out * np.clip((t[-1] - t) / 0.03, 0, 1) if size else out


def stopped_s(take: Performance, note: dict[str, Any], duration_s: float) -> float:
    """When a note's string is stopped: sounded again, damped, or the take's end."""
    touched = [
        n["start_s"] for n in take.notes if note["string"] in (n["string"], n.get("string_2"))
    ]
    touched += [at for string, at in take.stops if string == note["string"]]
    # The finger that plucks again stops the string a moment before.
    after = [at - 0.02 for at in touched if at > note["start_s"] + 0.05]
    ring_s = 2.2 * np.sqrt(220 / take.hz[note["string"]]) * 1.1
    return float(min([*after, note["start_s"] + ring_s, duration_s - 0.05]))


def note_truth(
    take: Performance, note: dict[str, Any], truth: dict[str, Any], stop_s: float
) -> dict[str, Any]:
    plucked = note["kind"] == "plucked"
    fallen_s = note["start_s"] + 2.2 * np.sqrt(220 / take.hz[note["string"]]) * RING_DB / 60
    end_s = min(stop_s, fallen_s) if plucked else note["start_s"] + note["seconds"]
    corners = np.array(take.paths[note["string"]])
    t = np.arange(note["start_s"], end_s, 0.01)
    cents = np.interp(t, corners[:, 0], corners[:, 1])
    late = t >= note["start_s"] + min(strings.STEADY_START_S, (end_s - note["start_s"]) / 3)
    target = take.hz[note["string"]]
    f0_hz = float((target * 2 ** (cents[late] / 1200)).mean()) if plucked else truth["f_inf_hz"]
    entry = {
        "start_s": note["start_s"],
        "end_s": float(end_s),
        "kind": note["kind"],
        "string": note["string"],
        "f0_hz": f0_hz,
        "cents": None if note["kind"] == "harmonic" else float(1200 * np.log2(f0_hz / target)),
        "start_cents": float(cents[0]),
        "end_cents": float(cents[-1]),
        "moving": bool(np.ptp(cents) > 1.0),
    }
    if note["kind"] == "two_strings":
        entry |= {"string_2": note["string_2"], "f0_2_hz": truth["f_inf_2_hz"]}
        entry |= {"interval_cents": truth["interval_cents"], "beats_hz": truth["beats_hz"]}
    if note["kind"] == "harmonic":
        entry |= {"by": note["by"]}
    return entry
