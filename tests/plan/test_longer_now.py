"""Whether a medicine was answered with fewer days than are proposed now, and what is proposed once it is asked anew.

merge.md: the number that was answered is the proposal of the new round. That more days are asked about: the safer
reading."""

from dataclasses import replace
from datetime import date

import pytest

from waykeeper.plan.holds import as_first_proposed, longer_now, with_answer
from waykeeper.plan.model import HoldAnswer, HoldProposal, Item, Key
from waykeeper.timing.model import Moment

KEY = Key("hold", "rx-1")
SURGERY = Moment(date(2026, 3, 18))
PAUSE = HoldProposal(
    "hold", "apixaban", missed_days=3, last_dose=date(2026, 3, 14), first_missed=date(2026, 3, 15)
)  # last dose on day -(N + 1): design.md, idea 2


def told(days, decision="hold"):
    return HoldAnswer(decision, days, "Dr Reed", date(2026, 3, 1))


@pytest.mark.parametrize(("hold", "answer", "longer"), [
    (PAUSE, told(2), True), (PAUSE, told(3), False), (PAUSE, told(4), False),
    (PAUSE, told(None, "continue"), True),
    (PAUSE, told(None), False),  # unclear: asked about as such
    (PAUSE, None, False), (None, told(2), False), (replace(PAUSE, missed_days=None), told(2), False),
    (with_answer(PAUSE, told(5), SURGERY), told(2), True),  # by what compile proposes, not by the answer it was given
    (with_answer(PAUSE, told(1), SURGERY), told(2), True),
    (replace(PAUSE, missed_days=5, answered=told(5)), told(2), False),  # read from a server: the proposal is not known
])  # fmt: skip
def test_fewer_days_than_are_proposed(hold, answer, longer):
    assert longer_now(Item(KEY, "Pause", hold=hold), answer) is longer


def test_asked_anew_it_is_proposed_as_compile_does():
    answered = with_answer(PAUSE, told(5), SURGERY)
    assert (answered.missed_days, answered.last_dose, answered.first_missed) == (
        5, date(2026, 3, 12), date(2026, 3, 13)
    )  # fmt: skip
    again = as_first_proposed(answered)
    assert replace(again, fresh=None) == PAUSE
    assert as_first_proposed(PAUSE) is PAUSE
