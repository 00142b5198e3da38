"""By which loss a trial is judged."""

from __future__ import annotations

from chaffinch.schemas.declarations import settings

PLACES_OF_LOSS = ("separation_loss", "cleaning_loss")
ANY_LOSS = ("machine_loss", "cleaning_loss", "separation_loss")


def judged_losses(setting: str) -> tuple[str, ...]:
    """Losses by which a trial of ``setting`` is judged, the first that is known counts.

    Chosen before anything is seen: the loss of the one place on which the catalogue says that the setting acts, else
    machine loss. What a unit of one loss signal weighs against one of the other is seldom known well, which blurs
    their sum, however often a change is repeated.
    """
    known = settings().get(setting)
    acted = [place for place in PLACES_OF_LOSS if known and known.sign_of(place) not in ("0", None)]
    if known and len(acted) == 1 and all(known.sign_of(place) is not None for place in PLACES_OF_LOSS):
        return (acted[0], *(loss for loss in ANY_LOSS if loss != acted[0]))
    return ANY_LOSS
