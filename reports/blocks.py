"""What a section is made of, and the one way in which the page prints a number.

Every number on the page is read from the JSON twin by a JSON pointer (RFC 6901) that stays in the
HTML, so that each can be checked against the twin.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from urllib.parse import quote, unquote

from markupsafe import Markup

from reports.wording import DECIMALS, MONTHS, chance_sides, fixed, plain

Text = str | Markup
"""Plain strings are escaped where they meet the page; `Markup` is not."""


@dataclass(frozen=True)
class Prose:
    """One paragraph; `style` is a CSS class or ""."""

    kind: ClassVar[str] = "prose"
    text: Text
    style: str = ""


@dataclass(frozen=True)
class Items:
    """A bullet list."""

    kind: ClassVar[str] = "items"
    items: Sequence[Text]


@dataclass(frozen=True)
class Answer:
    """The headline: a label, the large words, and lines below. `style`: "go" or "wait"."""

    kind: ClassVar[str] = "answer"
    label: Text
    big: Text
    lines: Sequence[Text]
    style: str


@dataclass(frozen=True)
class Picture:
    """One figure: headline, SVG bytes, text in its place, and caption."""

    kind: ClassVar[str] = "picture"
    title: str
    svg: bytes
    alt: str
    caption: Text

    @property
    def uri(self) -> str:
        """The SVG as a data URI; as an image its ids and styles cannot meet the page's."""
        return "data:image/svg+xml;base64," + base64.b64encode(self.svg).decode()


@dataclass(frozen=True)
class Table:
    """A table; the first cell of each row heads it; `numeric` columns are set to the right.

    One of more than five columns is given room to scroll on a narrow screen, unless `compact`.
    """

    kind: ClassVar[str] = "table"
    caption: Text
    head: Sequence[Text]
    rows: Sequence[Sequence[Text]]
    numeric: frozenset[int] = frozenset()
    compact: bool = False


@dataclass(frozen=True)
class Folded:
    """Blocks behind a summary that opens."""

    kind: ClassVar[str] = "folded"
    summary: Text
    blocks: Sequence[Block]


Block = Prose | Items | Answer | Picture | Table | Folded


@dataclass(frozen=True)
class Section:
    """One section of the page."""

    anchor: str
    title: str
    blocks: Sequence[Block]


def say(template: str, *parts: object, **named: object) -> Markup:
    """`template`, written in this package, with each part escaped unless it is markup."""
    return Markup(template).format(*parts, **named)


def pointer(*keys: str | int) -> str:
    """JSON pointer to a place in the twin, percent-encoded (RFC 6901, section 6, without "#").

    So encoded, a name with invisible marks stays harmless in the page's source.
    """
    parts = (str(key).replace("~", "~0").replace("/", "~1") for key in keys)
    return "".join("/" + quote(part, safe="~") for part in parts)


def follow(twin: Any, path: str) -> Any:
    """What stands in the twin at a pointer made by `pointer`."""
    at = twin
    for part in path.split("/")[1:]:
        key = unquote(part).replace("~1", "/").replace("~0", "~")
        at = at[int(key)] if isinstance(at, list) else at[key]
    return at


class Numbers:
    """Prints numbers of one twin. Each method returns a `<data>` element, or words around some.

    Attributes of the element: `value`, the twin's number; `data-k`, its JSON pointer; `data-as`
    where it is printed in hundredths ("in100"), as what is left of a hundred ("not100") or without
    its sign ("size").
    """

    def __init__(self, twin: dict[str, Any]) -> None:
        self.twin = twin

    def get(self, path: str) -> Any:
        """What stands at `path`."""
        return follow(self.twin, path)

    def plain(self, path: str, decimals: int) -> str:
        """The number at `path` as text for a place where no markup may stand."""
        return fixed(float(self.get(path)), decimals)

    def __call__(self, path: str, decimals: int) -> Markup:
        """The number at `path`; words where it is null."""
        value = self.get(path)
        if value is None:
            return Markup("not known")
        return say(
            '<data value="{}" data-k="{}">{}</data>', value, path, fixed(float(value), decimals)
        )

    def words(self, path: str) -> Markup:
        """A sentence that the twin holds; what stands in backticks there is set as code."""
        pieces = plain(str(self.get(path))).split("`")
        shown = (say("<code>{}</code>" if i % 2 else "{}", piece) for i, piece in enumerate(pieces))
        return say('<span data-k="{}">{}</span>', path, Markup("").join(shown))

    def signed(self, path: str, decimals: int) -> Markup:
        """A change: with its sign, also where it is a rise."""
        value = float(self.get(path))
        text = fixed(value, decimals)
        rises = value > 0 and float(text) > 0
        return say(
            '<data value="{}" data-k="{}">{}{}</data>', value, path, "+" if rises else "", text
        )

    def size(self, path: str, decimals: int) -> Markup:
        """A number without its sign, for words that tell the side."""
        value = float(self.get(path))
        return say(
            '<data value="{}" data-k="{}" data-as="size">{}</data>',
            value,
            path,
            fixed(abs(value), decimals),
        )

    def whole(self, path: str) -> Markup:
        """A count."""
        return self(path, 0)

    def middle(self, path: str, unit: str) -> Markup:
        """The median of the Q at `path`, without its unit."""
        return self(f"{path}/q50", DECIMALS[unit])

    def span(self, path: str, unit: str) -> Markup:
        """ "a to b": the 9-in-10 range of the Q at `path`, without its unit."""
        decimals = DECIMALS[unit]
        return say("{} to {}", self(f"{path}/q05", decimals), self(f"{path}/q95", decimals))

    def share(self, path: str) -> Markup:
        """A fraction as per cent."""
        value = float(self.get(path))
        return say(
            '<data value="{}" data-k="{}" data-as="in100">{}</data>\N{NO-BREAK SPACE}%',
            value,
            path,
            fixed(100 * value, 0),
        )

    def in_hundred(self, path: str) -> Markup:
        """A fraction as a count in 100."""
        value = float(self.get(path))
        return say(
            '<data value="{}" data-k="{}" data-as="in100">{}</data>',
            value,
            path,
            fixed(100 * value, 0),
        )

    def odds(self, path: str) -> Markup:
        """A probability as a count in 100, never none or all: draws cannot tell."""
        value = float(self.get(path))
        bound = "under " if value < 0.01 else "over " if value > 0.99 else ""
        return say(
            '{}<data value="{}" data-k="{}" data-as="in100">{}</data>',
            bound,
            value,
            path,
            fixed(min(max(100 * value, 1.0), 99.0), 0),
        )

    def left(self, path: str) -> Markup:
        """What is left of a hundred beside a probability, never none or all."""
        value = float(self.get(path))
        return say(
            '<data value="{}" data-k="{}" data-as="not100">{}</data>',
            value,
            path,
            fixed(min(max(100 * (1 - value), 1.0), 99.0), 0),
        )

    def small_chance(self, path: str) -> Markup:
        """A probability as per cent, in words where it rounds to none."""
        value = float(self.get(path))
        if value >= 0.01:
            return self.share(path)
        return say('<data value="{}" data-k="{}">under 1\N{NO-BREAK SPACE}%</data>', value, path)

    def chance(self, path: str, so: Text, not_so: Text) -> Markup:
        """ "likely (78 in 100) that …": the likelier side in words, with its number.

        Args:
            path: of a probability.
            so: what holds with it.
            not_so: what holds otherwise.
        """
        value = float(self.get(path))
        word, positive = chance_sides(value)
        share = 100 * (value if positive else 1 - value)
        # Draws cannot tell 99.6 from 100 in 100.
        bound = "at least " if share > 99 else ""
        number = say(
            '<data value="{}" data-k="{}" data-as="{}">{}</data>',
            value,
            path,
            "in100" if positive else "not100",
            fixed(min(share, 99.0), 0),
        )
        return say("{} ({}{} in 100) that {}", word, bound, number, so if positive else not_so)


def moment(iso: str) -> Markup:
    """A time of the log, to the minute."""
    time = datetime.fromisoformat(iso)
    words = f"{time.day} {MONTHS[time.month - 1]} {time.year}, {time:%H:%M}"
    return say('<time datetime="{}">{}</time>', iso, words)


def short_day(iso: str) -> Markup:
    """A date without its year, for tables."""
    date = datetime.fromisoformat(iso)
    words = f"{date.day}\N{NO-BREAK SPACE}{MONTHS[date.month - 1]}"
    return say('<time datetime="{}">{}</time>', iso, words)


def day(iso: str) -> Markup:
    """A date."""
    date = datetime.fromisoformat(iso)
    words = f"{date.day} {MONTHS[date.month - 1]} {date.year}"
    return say('<time datetime="{}">{}</time>', iso, words)
