"""The instruments: their strings, intervals and the names rosters use for them.

The table is config/instruments.yaml; see its header for the fields.
"""

from __future__ import annotations

import unicodedata
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pegmark.trade import pitch


@dataclass(frozen=True)
class Instrument:
    """One instrument as config/instruments.yaml describes it; strings from high to low."""

    key: str
    name: str
    strings: tuple[str, ...]
    interval: int
    pegs: str
    order: tuple[str, ...]

    def hz(self, a4_hz: float = pitch.A4_HZ) -> dict[str, float]:
        """String name -> equal-tempered frequency in Hz."""
        return {name: pitch.equal_hz(name, a4_hz) for name in self.strings}

    def pure_hz(self, a4_hz: float = pitch.A4_HZ) -> dict[str, float]:
        """String name -> frequency in Hz when tuned from A by pure fifths (fourths)."""
        return {name: pitch.pure_hz(name, a4_hz, self.interval) for name in self.strings}

    def as_dict(self) -> dict[str, Any]:
        """Plain data for tickets; `from_dict` is its inverse."""
        data = asdict(self)
        return {**data, "strings": list(self.strings), "order": list(self.order)}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Instrument:
        """An instrument from what `as_dict` gave."""
        return cls(**{**data, "strings": tuple(data["strings"]), "order": tuple(data["order"])})


def load_instruments(path: Path | str) -> dict[str, Instrument]:
    """The instrument table, by key. The file is checked with its schema when settings load."""
    return {key: instrument for key, (instrument, _) in _load(path).items()}


def load_names(path: Path | str) -> dict[str, str]:
    """Every name a roster may use, folded by `fold`, -> the instrument's key."""
    names: dict[str, str] = {}
    for key, (_, aliases) in _load(path).items():
        for name in (key, *aliases):
            names[fold(name)] = key
    return names


def fold(text: str) -> str:
    """`text` without case, accents, dots and doubled spaces, for comparing names."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return " ".join(plain.replace(".", " ").replace("_", " ").replace("-", " ").split())


def _load(path: Path | str) -> dict[str, tuple[Instrument, list[str]]]:
    import yaml

    table = yaml.safe_load(Path(path).read_text(encoding="utf-8"))
    return {
        key: (
            Instrument(
                key=key,
                name=block["name"],
                strings=tuple(block["strings"]),
                interval=block["interval"],
                pegs=block["pegs"],
                order=tuple(block["order"]),
            ),
            [str(alias) for alias in block.get("aliases", [])],
        )
        for key, block in table.items()
    }
