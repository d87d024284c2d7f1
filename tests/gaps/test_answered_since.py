"""A question that is answered after the plan was made: the list says so, and nothing that hangs on it stands as before.

The small pathway of these tests: gloves only with a latex allergy, washing unless there is one. That soap may not be
used on an allergic patient is the product's label; the rest is made up for tests (common practice, no source).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from gaps.plans import SURGERY, dates, item, plan
from merge.small import LATEX, MRN, clinic, compiled, pathway, patient
from merge.stories import answer
from merge.worlds import Memory
from waykeeper.exchange.made_again import to_make_again
from waykeeper.fhir import answers, is_ours, read_all
from waykeeper.fhir.names import TASK_CODES
from waykeeper.gaps import TheatreCase, TheatreList, worklist
from waykeeper.plan.answered_since import answered_since
from waykeeper.plan.answers import digest, facts_told
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Answers, Identifier, Item, ItemState, Key, State
from waykeeper.record import read
from waykeeper.timing.model import Anchor, Moment, Standing

WASHING = (
    ("who: patient\n        at: {evening", "who: patient\n        unless: [latex_allergy]\n        at: {evening"),
)
AS_OF = date(2026, 3, 12)
GLOVES, WASH = "task/latex-free", "task/wash/evening"
QUESTION = "Ever had a reaction to latex?"
TODAY = "Sun 2026-03-01"


def started():
    """A plan that stands on a server, its question open."""
    world = Memory()
    world.push(world.plan(changes=WASHING))
    return world


def record_answer(world, *said, status="completed", **fields):
    """What any system may write on the question's Task."""
    output = [{"type": {"coding": [{"system": TASK_CODES, "code": "answer"}]}, "valueString": one} for one in said]
    fields = {"note": [{"authorString": "RA", "text": "By phone"}], **fields}
    world.edit(
        LATEX,
        "ask",
        status=status,
        output=output or None,
        executionPeriod={"end": "2026-03-01T10:00:00-06:00"},
        **fields,
    )


def rows(world, as_of=AS_OF):
    return {r.item: r for r in worklist(read_all(world.resources()), (), as_of).rows}


def made_again(world):
    """As `compile --from` and `push` do."""
    world.push(world.plan(changes=WASHING))
    return rows(world)


def test_an_open_question_says_nothing_of_an_answer():
    found = rows(started())
    assert (found["plan/plan"].verdict, found["plan/plan"].gap) == ("current", False)
    assert "not known yet" in found[GLOVES].title and "First find out whether it applies" in found[GLOVES].next_action


@pytest.mark.parametrize(("said", "stays", "goes"), [("yes", GLOVES, WASH), ("no", WASH, GLOVES)])
def test_an_answer_that_the_plan_was_not_made_with_is_a_gap_until_it_is_made_again(said, stays, goes):
    world = started()
    record_answer(world, said)
    found = rows(world)
    own = found["plan/plan"]
    assert (own.verdict, own.severity, own.gap) == ("needs-review", 3, True)
    assert f"{QUESTION} {said} (RA, {TODAY})." in own.reason and "3 steps still hang on it" in own.reason
    assert "Make the plan again" in own.next_action and "push it" in own.next_action
    for key in (GLOVES, WASH):
        row = found[key]
        assert "answered since the plan was made" in row.title and "not known yet" not in f"{row.title} {row.reason}"
        assert f"Answered since this plan was made, which decides whether it applies: {QUESTION} {said}" in row.reason
        assert "find out whether it applies" not in row.next_action
    assert found[GLOVES].next_action.startswith("First have the plan made again with the answer and pushed")
    assert (found[str(LATEX)].verdict, found[str(LATEX)].gap) == ("done", False)
    assert f"The answer: {said} (RA, {TODAY})." in found[str(LATEX)].reason
    again = made_again(world)
    assert again["plan/plan"].verdict == "current"
    assert again[goes].verdict == "excused" and again[stays].verdict != "excused"
    assert "answered" not in again[stays].title and "Answered" not in again[stays].reason


def test_how_grave_it_is_depends_on_what_hangs_on_it_and_on_its_day():
    def severity(harm, as_of, due=SURGERY, cls="open"):
        ask = Item(Key("question", "card"), "Any card?", fact="card", asks_for=(Key("task", "one"),))
        one = item("task", "one", dates(due) if due else None, harm=harm, undecided=("card",))
        told = ItemState(ask.key, "completed", "done", fact_answer="no", done_on=date(2026, 2, 1))
        state = State({ask.key: told, one.key: ItemState(one.key, cls=cls)})
        row = next(r for r in worklist([(plan(ask, one), state)], (), as_of).rows if r.kind == "plan")
        return row.severity, row.gap, row.since

    day = date(2026, 2, 1)
    assert severity(3, SURGERY) == severity(2, SURGERY) == (3, True, day), "today somebody acts on it"
    assert severity(3, date(2026, 2, 20)) == severity(1, SURGERY) == (2, True, day)
    assert severity(3, SURGERY, due=None) == (1, True, day), "nothing has a day"
    assert severity(3, SURGERY, cls="done")[1] is severity(3, SURGERY, cls="withdrawn")[1] is False


@pytest.mark.parametrize("before", ["yes", "no"])
def test_an_answer_that_another_system_changes_or_takes_back_is_found(before):
    world = started()
    record_answer(world, before)
    assert made_again(world)["plan/plan"].verdict == "current"
    stays, goes = (GLOVES, WASH) if before == "yes" else (WASH, GLOVES)
    after = "no" if before == "yes" else "yes"

    record_answer(world, after)
    found = rows(world)
    assert found["plan/plan"].verdict == "needs-review" and found["plan/plan"].gap
    assert f"{after}, and it was {before} when the plan was made" in found["plan/plan"].reason
    assert f"{after}, and it was {before}" in found[stays].reason
    assert "the answer changed since the plan was made" in found[stays].title
    assert found[stays].reason.count("Changed since this plan was made, which decides whether it applies:") == 1
    left_out = {WASH: "Wash with the antiseptic soap", GLOVES: "Order latex-free gloves"}[goes]
    assert f"Left out by the answer of before: {left_out}." in found["plan/plan"].reason

    for taken in ({"status": "requested"}, {"status": "entered-in-error"}):
        record_answer(world, **taken)
        found = rows(world)
        assert f"no answer any more, and it was {before} when the plan was made" in found["plan/plan"].reason
        assert f"it was {before} when" in found[stays].reason and found["plan/plan"].gap
        gone = f"There is no answer any more, and it was {before} when the plan was made (RA)"
        assert gone in found[str(LATEX)].reason and found[str(LATEX)].verdict != "done"
    record_answer(world, after, status="entered-in-error")
    assert "no answer any more" in rows(world)["plan/plan"].reason, "what is entered in error nobody said"

    record_answer(world, after)
    again = made_again(world)
    assert again["plan/plan"].verdict == "current"
    assert again[stays].verdict == "excused" and again[goes].verdict != "excused"


def test_no_gate_is_ready_while_an_answer_may_ask_for_what_an_earlier_one_left_out():
    """The gate needs nothing of what left the plan: it looked ready, with the gloves not ordered."""
    ask = Item(LATEX, QUESTION, fact=LATEX.item, asks_for=(Key("task", "gloves"),))
    gloves, gate = item("task", "gloves", dates(SURGERY)), item("gate", "ready", dates(SURGERY))
    away = ItemState(gloves.key, "cancelled", "withdrawn", withdrawn_by_us=True)
    for told, verdict in (("no", "ready"), ("yes", "shut")):
        own = ItemState(LATEX, "completed", "done", fact_answer=told, done_on=date(2026, 3, 1))
        made = plan(ask, gloves, gate, answers="0123456789ab latex_allergy=no")
        found = worklist([(made, State({LATEX: own, gloves.key: away}))], (), SURGERY).rows
        row = next(r for r in found if r.kind == "gate")
        assert row.verdict == verdict
        assert (f"An answer that the plan was not made with: {QUESTION}" in row.reason) == (told == "yes")


def test_what_an_answer_left_out_counts_for_how_grave_it_is():
    ask = Item(LATEX, QUESTION, fact=LATEX.item, asks_for=(Key("task", "gloves"),))
    gloves = item("task", "gloves", dates(SURGERY), harm=3)
    own = ItemState(LATEX, "completed", "done", fact_answer="yes", done_on=date(2026, 2, 1))
    away = ItemState(gloves.key, "cancelled", "withdrawn", withdrawn_by_us=True)
    made, state = plan(ask, gloves, answers="0123456789ab latex_allergy=no"), State({LATEX: own, gloves.key: away})
    for as_of, severity in ((date(2026, 2, 2), 2), (SURGERY, 3)):
        row = next(r for r in worklist([(made, state)], (), as_of).rows if r.kind == "plan")
        assert (row.severity, row.gap) == (severity, True)


def test_other_answers_since_do_not_hide_a_changed_one_nor_look_like_one():
    world = started()
    record_answer(world, "no")
    made_again(world)
    answer(world, 3, date(2026, 3, 5))
    assert rows(world)["plan/plan"].verdict == "current"
    record_answer(world, "yes")
    assert "yes, and it was no" in rows(world)["plan/plan"].reason


@pytest.mark.parametrize("said", [(), ("Maybe",), ("Yes, a rash",)])
def test_a_question_closed_with_neither_yes_nor_no_is_not_done(said):
    """Compile cannot use it, and nobody was asked any more: the item hung on it for ever."""
    world = started()
    record_answer(world, *said)
    found = rows(world)
    row = found[str(LATEX)]
    assert (row.verdict, row.gap, row.severity) == ("needs-review", True, 3)
    assert "with neither yes nor no" in row.reason and "record yes or no" in row.next_action
    assert (
        "the answer is in doubt" in found[GLOVES].title
        and "neither do it nor leave it out" in found[GLOVES].next_action
    )
    assert found["plan/plan"].verdict == "current", "to make the plan again would change nothing"


def test_an_answer_against_the_record_is_asked_about_once_the_plan_knows_both():
    """Made again for ever, it would say the same: a person has to say which of the two is right."""
    world = started()
    record_answer(world, "yes")
    none = {"resourceType": "AllergyIntolerance", "code": {"text": "No known allergies"}}
    record = read([("urn:uuid:p", patient(world.identifier)), ("urn:uuid:a", none)], is_ours)
    world.push(compile_plan(
        pathway(*WASHING), clinic(), record, {"surgery": compiled(world.identifier).anchor("surgery").moment},
        side="left", identifier=world.identifier, answers=answers(world.state()),
    ))  # fmt: skip
    found = rows(world)
    assert "Answered since" not in found["plan/plan"].reason and "not made with" not in found["plan/plan"].reason
    assert found[str(LATEX)].verdict == "needs-review" and found[str(LATEX)].severity == 3
    assert "and the patient's record says the opposite" in found[str(LATEX)].reason
    assert "make the plan again (compile --from) and push it. Until" in found[str(LATEX)].next_action
    assert "the answer is in doubt" in found[GLOVES].title


@pytest.mark.parametrize("status", ["completed", "in-progress"])
def test_what_somebody_did_or_has_in_work_keeps_what_was_unknown_and_contradicts_nothing(status):
    """A push leaves it as it stands, with what was not known when it was written: no record says the opposite."""
    world = started()
    gloves = Key("task", "latex-free")
    end = {"executionPeriod": {"end": "2026-03-01"}} if status == "completed" else {}
    world.edit(gloves, "task", status=status, note=[{"authorString": "RA", "text": "ordered"}], **end)
    record_answer(world, "yes")
    found = made_again(world)
    assert found[str(LATEX)].verdict == "done"
    assert "opposite" not in found[str(LATEX)].reason
    assert found["plan/plan"].verdict == "current"


def test_the_digest_tells_the_answers_and_stays_what_it_was_without_one():
    told = Answers(facts={"b": "no", "a": "yes", "c": "perhaps=so"})
    assert facts_told(digest(told)) == {"a": "yes", "b": "no"}
    assert digest(told).split()[0] != digest(replace(told, facts={"a": "yes"})).split()[0]
    released = digest(Answers(rounds={Key("task", "x"): 2}))
    assert len(released) == 12 and facts_told(released) == facts_told("") == {}


def test_a_plan_of_before_its_digest_told_the_answers_is_no_plan_made_without_them():
    """Its items are decided, so the answer is in it; only what is still undecided was answered since."""
    ask = Item(Key("question", "card"), "Any card?", fact="card", asks_for=(Key("task", "one"),))
    told = State({ask.key: ItemState(ask.key, "completed", "done", fact_answer="yes")})
    decided, open_still = item("task", "one"), item("task", "one", undecided=("card",))
    assert not answered_since(plan(ask, decided, answers="0123456789ab"), told)
    assert answered_since(plan(ask, open_still, answers="0123456789ab"), told)["card"].how == "answered"


def of_before(world, said):
    """The plan as a version made it that wrote no answers into the digest: its digits alone."""
    record_answer(world, said)
    made = world.plan(changes=WASHING)
    world.push(replace(made, answers=made.answers.split()[0]))


@pytest.mark.parametrize("before", ["yes", "no"])
def test_an_answer_corrected_on_a_plan_of_before_its_digest_told_the_answers_is_found_by_its_digits(before):
    """It was silent: the question done, the gloves left out by the wrong answer, the plan current."""
    world = started()
    of_before(world, before)
    assert rows(world)["plan/plan"].verdict == "current", "made with the answer that stands"
    after = "no" if before == "yes" else "yes"
    record_answer(world, after)
    own = rows(world)["plan/plan"]
    assert (own.verdict, own.severity) == ("needs-review", 3)
    assert f"{after}, and it was {before} when the plan was made" in own.reason
    assert "Left out by the answer of before" in own.reason
    record_answer(world, status="requested")
    assert f"no answer any more, and it was {before} when" in rows(world)["plan/plan"].reason
    assert made_again(world)["plan/plan"].verdict == "current"


def test_where_the_digits_do_not_say_it_what_an_answer_left_out_is_asked_about_once():
    """More was recorded since: nobody can tell by which answer the gloves were left out."""
    world = started()
    of_before(world, "no")
    answer(world, 3, date(2026, 3, 5))
    record_answer(world, "yes")
    found = rows(world)
    own = found["plan/plan"]
    assert (own.verdict, own.gap, own.severity) == ("needs-review", True, 1)
    assert f"{QUESTION} yes (RA, {TODAY})." in own.reason and "Left out by an answer: Order latex-free" in own.reason
    assert "Make the plan again" in own.next_action
    assert (found[str(LATEX)].verdict, found[GLOVES].verdict) == ("done", "excused")
    assert "not made with" not in found[str(LATEX)].reason, "that nobody knows"
    assert made_again(world)["plan/plan"].verdict == "current"


def test_a_plan_made_without_any_answer_to_a_question_is_no_plan_of_before():
    ask = Item(LATEX, QUESTION, fact=LATEX.item, asks_for=(Key("task", "gloves"),))
    gloves, wash = item("task", "gloves", dates(SURGERY)), item("task", "wash", dates(SURGERY))
    made = plan(ask, gloves, wash, answers=digest(Answers(rounds={wash.key: 2})))
    away = ItemState(gloves.key, "cancelled", "withdrawn", withdrawn_by_us=True)
    own = ItemState(LATEX, "completed", "done", fact_answer="yes", done_on=date(2026, 3, 1))
    state = State({LATEX: own, gloves.key: away, wash.key: ItemState(wash.key, round=2)})
    assert not answered_since(made, state)
    assert answered_since(replace(made, answers="0123456789ab"), state)[LATEX.item].how == "unsure"


def test_an_operation_that_nothing_proves_comes_before_the_answers_and_hides_none():
    """For months the row said to make the plan again, and not to find out whether the operation took place."""
    ask = Item(Key("question", "card"), "Any card?", fact="card", asks_for=(Key("task", "one"),))
    told = ItemState(ask.key, "completed", "done", fact_answer="no", done_on=date(2026, 2, 1))

    def row(day, as_of, kind="task"):
        one = item(kind, "one", dates(day), harm=3, undecided=("card",))
        made = plan(ask, one, standing=Standing.GIVEN)
        found = worklist([(made, State({ask.key: told, one.key: ItemState(one.key)}))], (), as_of).rows
        return next(r for r in found if r.kind == "plan")

    before, after = date(2026, 3, 17), date(2026, 3, 25)
    own = row(before, after)
    assert (own.verdict, own.severity) == ("unproven", 2), "what came before the operation makes it no graver"
    assert "nothing in the record proves that it happened" in own.reason
    assert "not made with the answers" in " ".join(own.questions)
    first, then = own.next_action.split(" Then: ")
    assert first.startswith("Find out whether and when it happened") and then.startswith("Make the plan again")
    assert (row(before, SURGERY).verdict, row(before, SURGERY).severity) == ("needs-review", 3), "it can still be done"
    assert row(date(2026, 3, 24), after).severity == 3, "missed yesterday, and it still hangs on the answer"
    assert row(date(2026, 3, 24), date(2026, 6, 26)).severity == 2, "long over"
    assert row(SURGERY, date(2026, 6, 26), "restriction").severity == 3, "it holds until it is released"


def test_a_plan_that_is_over_asks_for_nothing():
    world = started()
    record_answer(world, "yes")
    ((made, state),) = read_all(world.resources())
    over = replace(made, withdrawn="cancelled")
    found = {r.item: r for r in worklist([(over, state)], (), AS_OF).rows}
    assert found["plan/plan"].verdict == "excused" and not found["plan/plan"].gap
    assert "answered" not in found[GLOVES].title


def test_nothing_answered_is_found_without_looking_at_the_items(monkeypatch):
    made = compiled(Identifier(MRN, "M-quiet"), changes=WASHING)
    monkeypatch.setattr("waykeeper.plan.answered_since._Reading", None)
    state = State({i.key: ItemState(i.key) for i in made.items})
    assert answered_since(made, state) == {}


def test_the_theatre_list_comes_first_and_hides_no_answer():
    world = started()
    record_answer(world, "yes")
    who = (str(world.identifier),)
    later = TheatreList((TheatreCase("case-1", who, date(2026, 3, 25)),), AS_OF, date(2026, 4, 30))
    none = TheatreList((), AS_OF, date(2026, 4, 30))
    for theatre, word in ((later, "date-differs"), (none, "needs-review")):
        row = next(
            r for r in worklist(read_all(world.resources()), (), AS_OF, theatre=theatre).rows if r.kind == "plan"
        )
        assert row.verdict == word and "not made with the answers" in " ".join((row.reason, *row.questions))


@pytest.mark.parametrize(
    ("standing", "proven", "command"),
    [
        (Standing.ASSUMED, {"discharge": "Encounter/1"}, "(move, as the day of discharge is recorded too)"),
        (Standing.AWAITED, {"discharge": "Encounter/1"}, "(move, as the day of discharge is recorded too)"),
        (Standing.RECORDED, {"discharge": "Encounter/1"}, "(compile --from) and push it"),
        (Standing.ASSUMED, {}, "(compile --from) and push it"),
        (Standing.ASSUMED, {"surgery": "Procedure/1"}, "(compile --from) and push it"),
    ],
)
def test_the_next_command_is_one_that_goes_through(standing, proven, command):
    """A push refuses a plan with another day of discharge than stands (WKU101), so there only a move is named."""
    ask = Item(Key("question", "card"), "Any card?", fact="card", asks_for=(Key("task", "one"),))
    one = item("task", "one", dates(SURGERY), undecided=("card",))
    moment = None if standing is Standing.AWAITED else Moment(date(2026, 3, 20))
    made = plan(ask, one)
    made = replace(made, anchors=(*made.anchors, Anchor("discharge", moment, standing)))
    told = ItemState(ask.key, "completed", "done", fact_answer="no", done_on=date(2026, 2, 1))
    state = State({ask.key: told, one.key: ItemState(one.key)}, proven=proven)
    row = next(r for r in worklist([(made, state)], (), date(2026, 3, 1)).rows if r.kind == "plan")
    assert f"Make the plan again with what the server holds {command};" in row.next_action
    noted = to_make_again(made, State({one.key: ItemState(one.key)}, proven=proven), ask, "fact", "no")
    assert ("make it again (move" in noted, "push it" in noted) == (command.startswith("(move"), "push" in command)
