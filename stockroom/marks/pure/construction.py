"""The words for how a valve is built and in what condition it is, each a short list to pick from by key.

The words are common practice, no source. In a list on the page a letter goes to the next word that begins with
it, so most words take one key.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from stockroom.pure.refused import Refused


class FeatureChoice(NamedTuple):
    label: str
    words: tuple[str, ...]


FEATURES: Mapping[str, FeatureChoice] = {
    "plate shape": FeatureChoice("Plate shape", ("box", "cylindrical", "flat", "mesh", "ribbed", "winged")),
    "plate finish": FeatureChoice("Plate finish", ("bright", "carbonised black", "grey", "white-flecked")),
    "getter shape": FeatureChoice("Getter shape", ("bar", "cup", "disc", "halo", "pan", "square", "wire loop")),
    "getter place": FeatureChoice("Getter place", ("bottom", "more than one", "side", "top")),
    "mica": FeatureChoice("Mica", ("coated white", "notched", "plain edge", "square", "toothed edge")),
    "base material": FeatureChoice(
        "Base material",
        ("black plastic", "brown plastic", "ceramic", "metal", "none, pins in glass", "yellow low-loss"),
    ),
    "top flash": FeatureChoice("Top flash", ("half", "large", "none", "small", "whole dome")),
    "glass": FeatureChoice("Glass", ("amber", "blue", "clear", "metal-sprayed", "smoked")),
    "print colour": FeatureChoice(
        "Print colour", ("black", "blue", "etched", "green", "orange", "red", "silver", "white", "yellow")
    ),
}

CONDITION: Mapping[str, FeatureChoice] = {
    "print": FeatureChoice("Print", ("clear", "worn", "partly gone", "gone", "never printed")),
    "pins": FeatureChoice("Pins or base contacts", ("bright", "dull", "corroded", "bent", "straightened", "broken")),
    "base": FeatureChoice("Base", ("firm", "slight play", "loose", "reglued", "none, pins in glass")),
    "box": FeatureChoice("Box", ("original, good", "original, worn", "original, torn", "plain", "none")),
    "seal": FeatureChoice("Seal", ("unbroken", "opened here", "came opened", "none")),
}


class UnknownWord(Refused):
    """A feature or a word that is not on the lists."""


def check(choices: Mapping[str, FeatureChoice], picked: Mapping[str, str]) -> None:
    """Refuse what is not on the lists; an empty word stands for nothing seen.

    Raises:
        UnknownWord: naming the feature and its words.
    """
    for name, word in picked.items():
        if name not in choices:
            raise UnknownWord(f"There is no feature “{name}”. There are: {', '.join(choices)}.")
        if word and word not in choices[name].words:
            raise UnknownWord(f"“{word}” is no word for {name}. There are: {', '.join(choices[name].words)}.")


def in_public(conditions: Sequence[Mapping[str, str]], count: int) -> list[str]:
    """Sentences on print, pins and box of `count` valves, of some of which the condition is recorded.

    >>> in_public([{"print": "worn", "box": "none"}], 1)
    ['Print: worn.', 'Box: none.']
    >>> in_public([{"print": "worn"}, {"print": "clear"}, {"print": "clear"}], 4)
    ['Print: clear (2 of 4), worn (1 of 4).']
    """
    sentences = []
    for name in ("print", "pins", "box"):
        found = [condition[name] for condition in conditions if condition.get(name)]
        if found:
            times = {word: found.count(word) for word in CONDITION[name].words if word in found}
            words = [word if n == count else f"{word} ({n} of {count})" for word, n in times.items()]
            sentences.append(f"{name.capitalize()}: {', '.join(words)}.")
    return sentences
