"""Values that are made quickly are what `dataclass` makes: arguments, defaults, equality, and nobody changes one."""

import inspect
import pickle
from dataclasses import FrozenInstanceError, dataclass, field, fields, replace

import pytest

from waykeeper.medicines.conditions import Situation
from waykeeper.medicines.intervals import Interval
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.outcome import Outcome
from waykeeper.medicines.recognise import Recognised
from waykeeper.plan.model import HoldProposal, Item
from waykeeper.quickly_made import quickly_made
from waykeeper.timing.model import Dates, Moment, Window

MADE = [Moment, Window, Dates, Item, HoldProposal, MedicineRow, Outcome, Interval, Situation, Recognised]


@dataclass(frozen=True, slots=True)
class Plain:
    """One field of each sort."""

    needed: str
    held: str = "a"
    many: dict = field(default_factory=dict)
    left: int = field(default=0, compare=False)


@quickly_made
@dataclass(frozen=True, slots=True)
class Quick:
    """The same."""

    needed: str
    held: str = "a"
    many: dict = field(default_factory=dict)
    left: int = field(default=0, compare=False)


@pytest.mark.parametrize("arguments", [("x",), ("x", "y"), ("x", "y", {1: 2}), ("x", "y", {}, 3)])
def test_positional_arguments_and_defaults(arguments):
    assert [getattr(Quick(*arguments), f.name) for f in fields(Quick)] == [
        getattr(Plain(*arguments), f.name) for f in fields(Plain)
    ]


def test_named_arguments_in_any_order():
    made = Quick(left=4, needed="x", held="z")
    assert (made.needed, made.held, made.many, made.left) == ("x", "z", {}, 4)
    assert made == Quick("x", "z", left=5)
    assert made != Quick("x", "y")
    assert replace(made, held="y") == Quick("x", "y")


def test_each_gets_its_own_of_what_is_made_new():
    assert Quick("x").many is not Quick("x").many


@pytest.mark.parametrize(
    "arguments", [((), {}), (("x", "y", {}, 1, 2), {}), (("x",), {"other": 1}), (("x",), {"needed": 1})]
)
def test_wrong_arguments_are_refused(arguments):
    given, named = arguments
    with pytest.raises(TypeError, match="__init__"):
        Quick(*given, **named)


def test_nobody_changes_one():
    made = Quick("x")
    with pytest.raises(FrozenInstanceError):
        made.held = "y"
    with pytest.raises(FrozenInstanceError):
        del made.held


class Own(Quick):
    """A class of somebody's own, with nothing more to hold."""

    __slots__ = ()


def test_what_is_made_is_of_the_class_that_was_called_and_as_closed_as_that():
    assert (type(Quick("x")), type(Own("x"))) == (Quick, Own)
    with pytest.raises(FrozenInstanceError):
        Own("x").held = "y"


@pytest.mark.parametrize("cls", MADE)
def test_every_value_of_ours_takes_its_fields_in_their_order(cls):
    parameters = inspect.signature(cls).parameters
    assert list(parameters) == [f.name for f in fields(cls)]
    values = {name: object() for name in parameters}
    for made in (cls(**values), cls(*values.values())):
        assert {name: getattr(made, name) for name in values} == values
    needed = [object() for p in parameters.values() if p.default is p.empty]
    made = cls(*needed)
    for one in fields(cls)[len(needed) :]:
        wanted = one.default_factory() if callable(one.default_factory) else one.default
        assert getattr(made, one.name) == wanted, one.name


def test_it_goes_through_a_pipe():
    assert pickle.loads(pickle.dumps(Dates(awaited="x"))) == Dates(awaited="x")
