"""How sure an answer is, in words and a number; the words are defined here and nowhere else.

sure : at least 97.5 % on one side, which is where the 95 % range excludes zero. likely : at least 80 %. open :
anything less.
"""

from __future__ import annotations

from dataclasses import dataclass

from chaffinch.dashboards.words.terms import NARROW

SURE, LIKELY = 0.975, 0.8
DEFINITION = (
    f"Sure means at least 97.5{NARROW}% probable: the 95{NARROW}% range excludes zero. "
    f"Likely means at least 80{NARROW}%. Anything less is open."
)


@dataclass(frozen=True, slots=True)
class Confidence:
    """word : sure, likely or open. chance : 0.5 to 1, that the outcome went the way ``less`` says."""

    word: str
    chance: float
    less: bool

    @property
    def text(self) -> str:
        """``99 % sure``, ``88 % likely``, ``open (62 %)``."""
        return chance_in_words(self.chance)


def confidence(chance_less: float) -> Confidence:
    """From the probability that an outcome fell."""
    chance = max(chance_less, 1.0 - chance_less)
    return Confidence(word_of(chance), chance, chance_less >= 0.5)


def chance_in_words(chance: float) -> str:
    """``99 % sure``, ``88 % likely``, ``open (62 %)`` for a probability of at least one half."""
    number, word = f"{percent_of(chance)}{NARROW}%", word_of(chance)
    return f"open ({number})" if word == "open" else f"{number} {word}"


def word_of(chance: float) -> str:
    """The word for a probability."""
    return "sure" if chance >= SURE else "likely" if chance >= LIKELY else "open"


def percent_of(chance: float) -> str:
    """A probability in %, cut so that it is never rounded up to a word that it does not deserve; never 0 or 100.

    Sure begins at 97.5, shown as 98: 97 % is likely.
    """
    least = 98 if word_of(chance) == "sure" else 1
    return f"{min(max(int(100 * chance + 1e-9), least), 99)}"
