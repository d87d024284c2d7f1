"""A pathway and a patient's record -> a plan and the Bundle that writes it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from waykeeper.counting import counted
from waykeeper.exchange.files import Held
from waykeeper.exchange.reading import IN_FORCE
from waykeeper.fhir import read_all
from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.plan.model import Identifier, Plan, State
from waykeeper.plan.unlisted import listed
from waykeeper.timing.model import Standing
from waykeeper.verbs import inputs, words
from waykeeper.verbs.words import MomentText, PathText, as_text

if TYPE_CHECKING:
    from waykeeper.pathway.model import Clinic, Pathway
    from waykeeper.record import Record
    from waykeeper.timing import Moment

WITH_LIST = (
    "Give the record that has the medicine list. What is not taken any more stays in it too, as an order with the"
    " status stopped: an empty list is not told from one that was left out."
)
SILENT = ("Patient", "Appointment", "Encounter", "Procedure")  # what a server may hold without holding a record
WITH_RECORD = "Add --patient, beside --from, with the file or folder of the record that the plan was compiled from."


@dataclass(frozen=True, slots=True)
class Compiled:
    """A plan, the transaction Bundle that writes it, and what was noticed on the way (warnings and below)."""

    plan: Plan
    bundle: dict[str, Any]
    findings: tuple[Finding, ...]


def compile(  # noqa: A001 - the verb of the trade and of the command
    pathway: PathText,
    *,
    clinic: PathText,
    patient: PathText = "",
    surgery: MomentText,
    discharge: MomentText = "",
    side: str = "",
    anaesthesia: str = "unknown",
    patient_identifier: str = "",
    episode: int = 1,
    from_: str = "",
) -> Compiled:
    """Compile a pathway for one patient.

    patient   a file or folder with the Patient and what is known of them; may be left out where `from_` is given
    surgery   local date and time of the clinic, `2026-03-18T07:30` or a datetime
    from_     a server: answers and rounds that it holds, other live episodes, and the record where no file is given

    A plan that stands there is compiled again only with the record that it was made of (WKC211). The bundle has passed
    Waykeeper's own validator; a plan that fails it raises WaykeeperError and is never returned.
    """
    from waykeeper.fhir import answers as read_answers
    from waykeeper.fhir import bundle as as_bundle
    from waykeeper.fhir import is_ours
    from waykeeper.plan.compile import compile as compile_plan
    from waykeeper.plan.compile import episode_for
    from waykeeper.plan.model import Answers
    from waykeeper.record import read

    words.choice(side, inputs.SIDES, "--side")
    words.choice(anaesthesia, inputs.ANAESTHESIA, "--anaesthesia")
    words.positive(episode, "--episode")
    identifier = inputs.identifier_of(patient_identifier, "--patient-identifier") if patient_identifier else None
    clinic, patient = as_text(clinic), as_text(patient)
    known = inputs.clinic_of(clinic)
    given = inputs.anchors_of(known, as_text(surgery), as_text(discharge))
    held = record_of(patient, from_, identifier)
    chosen, noted = inputs.pathway_of(as_text(pathway), known, clinic)
    with inputs.blamed(patient):
        record = read(held, is_ours, patient or from_, zone=known.zone, surgery=given["surgery"].day)
        alive(record.patient, patient or from_)
        if identifier:
            inputs.owned(record.patient, identifier, patient or from_)
        plans = plans_of(held, from_, record.patient, identifier, known)
        wanted = episode_for(chosen, known, record, identifier, episode)
        own = [(p, s) for p, s in plans if from_ and p.episode == wanted]
        if own:
            whole(record, *own[0], named=bool(patient), remedy=WITH_RECORD)
        answers = read_answers(own[0][1]) if own else Answers()
        given = given | still_given(own[0][0], chosen, given) if own else given
        plan = compile_plan(
            chosen, known, record, given,
            side=side, anaesthesia=anaesthesia, identifier=identifier, episode=episode, answers=answers,
            surgeries=other_surgeries([(p, s) for p, s in plans if p.episode != wanted]),
        )  # fmt: skip
        made = as_bundle(plan, answers.rounds)
    return Compiled(plan, made, (*noted, *odd(record, patient or from_), *plan.findings, *legal(made)))


def odd(record: Record, place: str) -> tuple[Finding, ...]:
    """What is to be known of a record before its plan is trusted: what reading it noticed, and that it has no list."""
    from waykeeper.medicines.page import NO_LIST

    return (*record.findings, *(() if record.medicines else (finding("WKM304", NO_LIST, Position(place)),)))


def still_given(stored: Plan, pathway: Pathway, given: Mapping[str, Moment]) -> dict[str, Moment]:
    """What a person gave before and does not give now: the day on which the date was changed, a known discharge.

    Only while surgery stands where it stood; for another day nothing of it holds.
    """
    surgery = stored.anchor("surgery")
    if surgery is None or surgery.moment != given["surgery"]:
        return {}
    known = {rule.name for rule in pathway.anchors}
    return {
        a.name: a.moment
        for a in stored.anchors
        if a.standing is Standing.GIVEN and a.moment is not None and a.name in known and a.name not in given
    }


def whole(record: Record, old: Plan, state: State, *, named: bool, remedy: str = "") -> None:
    """A plan is never compiled from half of what it was made of: its medicines would go in silence.

    named   the record was given by a person; else it is what the place of the plan holds

    Raises WaykeeperError WKC211.
    """
    medicines = listed(old, state)
    bare = all(r.get("resourceType") in SILENT for r in record.resources)
    if (medicines and not record.medicines) or (bare and not named):
        some = f"{counted(len(medicines), 'medicine')} of the plan {'is' if len(medicines) == 1 else 'are'}"
        there = "in the record that was given" if named else "where the plan is"
        lacks = f"{some} not {there}" if medicines else f"nothing of the record is {there}"
        raise WaykeeperError(finding("WKC211", lacks, help=WITH_LIST if named and medicines else remedy))


def alive(patient: Mapping[str, Any], place: str) -> None:
    """Raises WaykeeperError WKC207 where the Patient is recorded as deceased."""
    if patient.get("deceasedDateTime") or patient.get("deceasedBoolean"):
        raise WaykeeperError(finding("WKC207", "the Patient is recorded as deceased, no plan is made", Position(place)))


def record_of(patient: str, server: str, identifier: Any) -> list[Held]:
    """The patient's record: of the file or an invented patient of the library, else of the server.

    Raises WaykeeperError WKC203 where neither is given.
    """
    if patient:
        return inputs.record_in(inputs.invented(patient))
    if not server or identifier is None:
        help_text = (
            "Give --patient FILE, or --from URL with --patient-identifier SYSTEM|VALUE;"
            " to try it out, --patient demo-left, an invented patient."
        )
        raise WaykeeperError(finding("WKC203", "no record is given", help=help_text))
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import record_resources

    return record_resources(Server(server), identifier)


def plans_of(
    held: Sequence[Held], server: str, patient: Mapping[str, Any], identifier: Identifier | None, clinic: Clinic
) -> list[tuple[Plan, State]]:
    """The patient's plans with what is recorded of them: those of the server, else those among the given resources."""
    from waykeeper.plan.compile import patient_identifier
    from waykeeper.record import Record

    if not server:
        return read_all(held)
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import plan_resources

    return read_all(plan_resources(Server(server), identifier or patient_identifier(Record(patient, ()), clinic)))


def other_surgeries(plans: Sequence[tuple[Plan, State]]) -> tuple[tuple[str, Moment], ...]:
    """The surgeries of plans that are in force, by name: `Total ankle replacement right, episode 2`."""
    found = []
    for plan, state in plans:
        anchor = plan.anchor("surgery")
        if not plan.withdrawn and state.plan_status in IN_FORCE and anchor and anchor.moment:
            found.append((plan.operation, anchor.moment))
    return tuple(sorted(found, key=lambda pair: (pair[1].day, pair[0])))


def legal(bundle: dict[str, Any]) -> tuple[Finding, ...]:
    """What our validator warns of in a Bundle that is to be sent. Raises WaykeeperError where it is not legal FHIR."""
    from waykeeper.validate import own_definitions
    from waykeeper.validate import validate as validate_resource

    found = validate_resource(bundle, profiles=(own_definitions(),))
    wrong = [f for f in found if f.severity == "error"]
    if wrong:
        raise WaykeeperError(wrong)
    return tuple(f for f in found if f.severity == "warning")
