"""What `uptake new` asks, in plain words, and the tank file that follows from the answers.

An `Asker` gives the answers: a keeper at the terminal, or a file of answers. Each answer is read
here and then checked by the reader of tank files itself.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TypeVar

from estimator.errors import InputError
from estimator.inputs.actions import ACTIONS
from estimator.inputs.parameters import ALKALINITY, PARAMETERS
from estimator.inputs.read import read_tank
from estimator.inputs.text import match_unit, printable
from reports.tank_text import Value, tank_text
from reports.wording import listed

Told = TypeVar("Told")
Keys = dict[str, Value]
Read = Callable[[str], Told]
"""Reads an answer. Raises: ValueError, with what to write instead."""

NONE = "none"
UNKNOWN = "unknown"
_USUAL_BAND_DKH = (7.5, 9.0)
_USUAL_CALCIUM = "400 to 450"
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_AMOUNT = re.compile(rf"{_NUMBER}\s*(.*)")
_BAND = re.compile(rf"{_NUMBER}\s*(?:to|-|–|and)\s*{_NUMBER}")
_LIGHTS = re.compile(r"(\d?\d:\d\d)\s*(?:to|-|–|and)\s*(\d?\d:\d\d)")
_VOLUMES = {
    **dict.fromkeys(("l", "litre", "litres", "liter", "liters"), "water_volume_l"),
    **dict.fromkeys(("gal", "us gal", "gallon", "gallons", "us gallons"), "water_volume_us_gal"),
}


class Asker(Protocol):
    """Whoever gives the answers."""

    def __call__(self, key: str, question: str, read: Read[Told], usual: str = "") -> Told:
        """What `read` makes of the answer to a question; asks again where it raises.

        Args:
            key: names the question in a file of answers.
            question: in plain words.
            read: reads and checks the answer.
            usual: the answer that is offered; "" where there is none.

        Raises:
            InputError: the answer cannot be had, or only a faulty one.
        """
        ...


@dataclass(frozen=True)
class Choice:
    """One of several ways: a word for a file of answers, and the words on the screen."""

    word: str
    about: str


_BY = (
    Choice("recipe", "by recipe: grams of a salt in one litre of it"),
    Choice("label", "by its label: 1 mL raises 100 L of water by so many dKH"),
    Choice("gallon label", "by its label: 1 mL raises 100 US gallons of water by so many dKH"),
    Choice("meq", "its alkalinity in meq per mL"),
    Choice("calcium", "its calcium in mmol per mL"),
)
_KEY_OF = {
    "label": ("raises_100_l_dkh_per_ml", "1 mL raises 100 L by how many dKH?"),
    "gallon label": (
        "raises_100_us_gal_dkh_per_ml",
        "1 mL raises 100 US gallons by how many dKH?",
    ),
    "meq": ("alkalinity_meq_per_ml", "How many meq of alkalinity in one mL?"),
    "calcium": ("calcium_mmol_per_ml", "How many mmol of calcium in one mL?"),
}
_SALTS = {
    Choice("sodium carbonate", "sodium carbonate (soda ash)"): "sodium_carbonate_g_per_l",
    Choice("sodium bicarbonate", "sodium bicarbonate (baking soda)"): "sodium_bicarbonate_g_per_l",
    Choice("calcium hydroxide", "calcium hydroxide (limewater)"): "calcium_hydroxide_g_per_l",
    Choice("calcium chloride", "calcium chloride dihydrate"): "calcium_chloride_dihydrate_g_per_l",
    Choice("magnesium chloride", "magnesium chloride hexahydrate"): (
        "magnesium_chloride_hexahydrate_g_per_l"
    ),
}


class _LeftOutError(Exception):
    """The keeper leaves something out."""


class Interview:
    """The questions in their order; `document` grows by what is answered."""

    def __init__(self, ask: Asker) -> None:
        self._ask = ask
        self.document: dict[str, Keys] = {}

    def run(self) -> str:
        """The whole tank file."""
        self._tank()
        unit = self._bands()
        self._kits(unit)
        self._solutions()
        self._new_water(unit)
        self._reactor()
        return tank_text(self.document)

    def _state(self, key: str, question: str, read: Read[Keys], usual: str, table: str) -> None:
        """Ask for keys of one table; the reader of tank files has to accept them."""

        def checked(answer: str) -> Keys:
            stated = read(printable(answer).strip())
            self._check({**self.document, table: {**self.document.get(table, {}), **stated}})
            return stated

        self.document.setdefault(table, {}).update(self._ask(key, question, checked, usual))

    def _state_or(
        self, without: str, key: str, question: str, read: Read[Keys], usual: str, table: str
    ) -> None:
        """As `_state`; the answer `without` leaves the keys out, and a table that is new."""

        def unless(answer: str) -> Keys:
            if answer.casefold() == without:
                raise _LeftOutError
            return read(answer)

        former = self.document.get(table)
        try:
            self._state(key, question, unless, usual, table)
        except _LeftOutError:
            if former is None:
                del self.document[table]

    def _check(self, document: Mapping[str, Keys]) -> None:
        """Raises: ValueError, the tank file would be refused."""
        tank = dict(document.get("tank", {}))
        if not {"water_volume_l", "water_volume_us_gal"} & tank.keys():
            tank["water_volume_l"] = 100.0
        band: Keys = {"low": 7.0, "high": 9.0, "unit": "dKH"}
        whole = {"targets.alkalinity": band, **document, "tank": tank}
        try:
            read_tank(Path("tank.toml"), data=tank_text(whole).encode())
        except InputError as error:
            raise ValueError(error.faults[0].rule) from error

    # The parts of the file.

    def _tank(self) -> None:
        def lights(answer: str) -> Keys:
            match = _LIGHTS.fullmatch(answer)
            if match is None:
                raise ValueError("write two times of day, such as 10:00 to 20:00")
            return {"lights_on": match[1].zfill(5), "lights_off": match[2].zfill(5)}

        self._state("name", "A name for the tank", lambda text: {"name": text}, "My tank", "tank")
        question = "How much water is in the whole system? In L or US gallons: 620 L, or 160 gal"
        self._state("volume", question, _volume, "", "tank")
        question = "When do the lights go on and off, by the tank's clock?"
        self._state("lights", question, lights, "10:00 to 20:00", "tank")

    def _bands(self) -> str:
        """The unit of alkalinity."""
        units = tuple(ALKALINITY.units)
        question = f"In which unit do you read alkalinity: {listed(units, 'or')}?"
        unit = self._ask("alkalinity_unit", question, _unit(units), units[0])
        dkh = ALKALINITY.units["dKH"]
        usual = [ALKALINITY.from_canonical(limit * dkh, unit) for limit in _USUAL_BAND_DKH]
        self._state(
            "alkalinity_band",
            f"Between which alkalinities is the tank to stay, in {unit}?",
            lambda answer: {**_band(answer), "unit": unit},
            " to ".join(f"{limit:.3g}" for limit in usual),
            "targets.alkalinity",
        )
        question = "And calcium, in mg/L? Write none to leave it out"
        table = "targets.calcium"
        self._state_or(NONE, "calcium_band", question, _calcium_band, _USUAL_CALCIUM, table)
        return unit

    def _kits(self, alkalinity_unit: str) -> None:
        for name, unit in (("alkalinity", alkalinity_unit), ("calcium", ""), ("magnesium", "")):
            parameter = PARAMETERS[name]
            unit = unit or parameter.default_unit
            usual = f"{parameter.assumed_step / parameter.unit_size(unit):.2g}"

            def kit(answer: str, name: str = name, unit: str = unit) -> Keys:
                return {"parameter": name, "unit": unit, "step": _plain(answer)}

            table, key = f"kits.{name}-kit", f"{name}_step"
            question = f"The smallest step that your {name} test shows, in {unit}"
            if parameter is ALKALINITY:
                self._state(key, f"{question}?", kit, usual, table)
            else:
                question += "? Write none if you do not test it"
                usual = NONE if name == "magnesium" else usual
                self._state_or(NONE, key, question, kit, usual, table)

    def _solutions(self) -> None:
        count = 1
        question = "Name a solution that you dose, such as soda; none if you dose nothing"
        while True:
            name = self._ask(f"solution_{count}", question, self._new_name, NONE)
            if name == NONE:
                return
            self._strength(name, f"solution_{count}")
            question, count = "Name another solution, or none", count + 1

    def _new_name(self, answer: str) -> str:
        name = printable(answer).strip()
        if name.casefold() == NONE:
            return NONE
        if f"solutions.{name}" in self.document:
            raise ValueError("that name is taken; choose another")
        self._check({**self.document, f"solutions.{name}": {"alkalinity_meq_per_ml": 1.0}})
        return name

    def _strength(self, name: str, key: str) -> None:
        how = self._ask(f"{key}_by", *_choosing(f"How is the strength of {name} known?", _BY))
        if how.word == "recipe":
            salt = self._ask(f"{key}_salt", *_choosing("Which salt?", tuple(_SALTS)))
            toml, question = _SALTS[salt], f"How many grams of {salt.word} in one litre?"
        else:
            toml, question = _KEY_OF[how.word]
        table = f"solutions.{name}"
        self._state(f"{key}_amount", question, lambda text: {toml: _plain(text)}, "", table)

    def _new_water(self, unit: str) -> None:
        def water(answer: str) -> Keys:
            if answer.casefold() == UNKNOWN:
                return {}
            return {"alkalinity": _plain(answer), "alkalinity_unit": unit}

        question = (
            f"Alkalinity of freshly mixed salt water, in {unit}? Write unknown if you have not "
            "tested it, none if you change no water"
        )
        self._state_or(NONE, "new_water", question, water, UNKNOWN, "water.new")

    def _reactor(self) -> None:
        question = "Is there a calcium reactor, or will there be one?"
        if not self._ask("reactor", question, _yes, "no"):
            return
        asked = (
            ("pump_most", "flow_max_ml_h", "The largest flow of its effluent pump, in mL/h?", ""),
            ("pump_least", "flow_min_ml_h", "And the smallest, but off?", "0"),
            ("pump_step", "flow_step_ml_h", "The smallest change that you can set?", "1"),
            ("chamber_ph", "chamber_ph", "The pH held in its chamber?", UNKNOWN),
            ("media_kg", "media_kg", "How many kg of media does it hold?", UNKNOWN),
            ("co2_g", "co2_charge_g", "How many grams of CO2 does a full cylinder hold?", UNKNOWN),
        )
        for key, toml, question, usual in asked:
            read = _flow if "flow" in toml else _plain

            def stated(answer: str, toml: str = toml, read: Read[float] = read) -> Keys:
                return {toml: read(answer)}

            if usual == UNKNOWN:
                question += " Write unknown if you do not know"
                self._state_or(UNKNOWN, key, question, stated, usual, "reactor")
            else:
                self._state(key, question, stated, usual, "reactor")


# How answers are read.


def _plain(answer: str) -> float:
    """A number; a decimal comma is read as well, since a single number has no other."""
    match = _AMOUNT.fullmatch(answer)
    if match is None or match[2]:
        raise ValueError("write one plain number, such as 8.2")
    return float(match[1].replace(",", "."))


def _flow(answer: str) -> float:
    """A flow in mL/h; another unit that the log accepts may be written behind it."""
    units = ACTIONS["flow"].units
    match = _AMOUNT.fullmatch(answer)
    unit = match_unit(match[2], units) if match and match[2] else ACTIONS["flow"].canonical_unit
    if match is None or unit is None:
        others = listed(list(units), "or")
        raise ValueError(f"write a number and, if it is not mL/h, one of {others}")
    return float(match[1].replace(",", ".")) * units[unit]


def _volume(answer: str) -> Keys:
    match = _AMOUNT.fullmatch(answer)
    key = match and _VOLUMES.get(match[2].casefold().strip(" ."))
    if match is None or key is None:
        raise ValueError("write a number and its unit, L or gal (US gallons): 620 L, or 160 gal")
    return {key: _plain(match[1])}


def _band(answer: str) -> Keys:
    match = _BAND.fullmatch(answer)
    if match is None:
        raise ValueError("write the lowest and the highest, such as 7.5 to 9")
    return {"low": _plain(match[1]), "high": _plain(match[2])}


def _calcium_band(answer: str) -> Keys:
    return {**_band(answer), "unit": "mg/L"}


def _yes(answer: str) -> bool:
    if answer.casefold() not in ("yes", "y", "no", "n", "true", "false"):
        raise ValueError("write yes or no")
    return answer.casefold() in ("yes", "y", "true")


def _unit(units: Sequence[str]) -> Read[str]:
    def read(answer: str) -> str:
        unit = match_unit(answer, units)
        if unit is None:
            raise ValueError(f"write one of {', '.join(units)}")
        return unit

    return read


def _choosing(question: str, choices: Sequence[Choice]) -> tuple[str, Read[Choice]]:
    """A question with numbered choices, and what reads the number or the word of one."""
    lines = [f"  {number}  {choice.about}" for number, choice in enumerate(choices, start=1)]

    def read(answer: str) -> Choice:
        for number, choice in enumerate(choices, start=1):
            if answer.strip().casefold() in (str(number), choice.word):
                return choice
        words = listed([choice.word for choice in choices], "or")
        raise ValueError(f"write a number from 1 to {len(choices)}, or {words}")

    return "\n".join([question, *lines, "Its number"]), read
