"""The instruments: their strings, intervals and the names rosters use for them.

The table is config/instruments.yaml; see its header for the fields.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from pegmark.trade import pitch

if TYPE_CHECKING:
    from pegmark.records.tickets import InstrumentBlock

# Farther from its target than this share of the distance to the next string no open string is
# looked for, and no reading is trusted: in simulation the first wrong names appear there (525 cents
# in fifths, 375 in fourths).
FARTHEST_SHARE = 0.75


class Resonances(NamedTuple):
    """The lowest and highest main resonance of a body, and how far it usually pulls a partial."""

    low_hz: float
    high_hz: float
    pull_cents: float


class Stiffness(NamedTuple):
    """Mean and standard deviation of a string's inharmonicity B before listening."""

    mean: float
    sd: float


class Prior(NamedTuple):
    """What is known of an instrument before listening, in cents (half-widths of 95 %).

    `repeat`: how far one note stands from another of an untouched string. `systematic`: what all
    notes of a kind share, so that averaging never reduces it.
    """

    plucked_repeat: float
    bowed_repeat: float
    plucked_systematic: float
    bowed_systematic: float


@dataclass(frozen=True)
class OpenStrings:
    """The open strings of an instrument, from high to low, and the semitones between them."""

    strings: tuple[str, ...]
    interval: int

    def hz(self, a4_hz: float = pitch.A4_HZ) -> dict[str, float]:
        """String name -> equal-tempered frequency in Hz."""
        return {name: pitch.equal_hz(name, a4_hz) for name in self.strings}

    def pure_hz(self, a4_hz: float = pitch.A4_HZ) -> dict[str, float]:
        """String name -> frequency in Hz when tuned from A by pure fifths (fourths)."""
        return {name: pitch.pure_hz(name, a4_hz, self.interval) for name in self.strings}


@dataclass(frozen=True)
class Instrument(OpenStrings):
    """One instrument as config/instruments.yaml describes it (see its header for the fields)."""

    key: str
    name: str
    pegs: str
    order: tuple[str, ...]
    body: Resonances
    stiffness: Stiffness
    priors_cents: Prior
    cautions: Mapping[str, list[str]]
    usual: Mapping[str, tuple[str, ...]]
    """Every instrument that a recording may turn out to be -> its strings, from high to low."""

    def as_dict(self) -> InstrumentBlock:
        """Plain data for tickets; `from_dict` is its inverse."""
        block = {
            "key": self.key,
            "name": self.name,
            "strings": list(self.strings),
            "interval": self.interval,
            "pegs": self.pegs,
            "order": list(self.order),
            "body": self.body._asdict(),
            "stiffness": self.stiffness._asdict(),
            "priors_cents": self.priors_cents._asdict(),
            "cautions": dict(self.cautions),
            "usual": {name: list(strings) for name, strings in self.usual.items()},
        }
        return cast("InstrumentBlock", block)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Instrument:
        """An instrument from what `as_dict` gave."""
        return cls(
            key=data["key"],
            name=data["name"],
            strings=tuple(data["strings"]),
            interval=data["interval"],
            pegs=data["pegs"],
            order=tuple(data["order"]),
            body=Resonances(**data["body"]),
            stiffness=Stiffness(**data["stiffness"]),
            priors_cents=Prior(**data["priors_cents"]),
            cautions=data["cautions"],
            usual={name: tuple(strings) for name, strings in data["usual"].items()},
        )


def instruments_of(table: Mapping[str, Any]) -> dict[str, Instrument]:
    """The instruments of a table as config/instruments.yaml holds it, by key."""
    usual = {block["usual"]: block["strings"] for block in table.values() if "usual" in block}
    return {
        key: Instrument.from_dict({"cautions": {}, **block, "key": key, "usual": usual})
        for key, block in table.items()
    }


def load_instruments(path: Path | str) -> dict[str, Instrument]:
    """The instrument table, by key. The file is checked with its schema when settings load."""
    return instruments_of(_load(path))


def load_names(path: Path | str) -> dict[str, str]:
    """Every name a roster may use, folded by `fold`, -> the instrument's key."""
    names: dict[str, str] = {}
    for key, block in _load(path).items():
        for name in (key, *block.get("aliases", [])):
            names[fold(str(name))] = key
    return names


def fold(text: str) -> str:
    """`text` without case, accents, dots and doubled spaces, for comparing names."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return " ".join(plain.replace(".", " ").replace("_", " ").replace("-", " ").split())


def _load(path: Path | str) -> dict[str, Any]:
    import yaml

    table: dict[str, Any] = yaml.safe_load(Path(path).read_text(encoding="utf-8"))
    return table
