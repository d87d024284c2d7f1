"""A patient's medicines before surgery: the page that a coordinator prints and a prescriber signs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

from waykeeper.findings import WaykeeperError
from waykeeper.verbs import inputs, words
from waykeeper.verbs.words import MomentText, PathText, as_text

if TYPE_CHECKING:
    from waykeeper.medicines import AnswerLike, MedicinesPage, Ruleset
    from waykeeper.pathway.model import Clinic
    from waykeeper.plan.model import Identifier, Plan, State
    from waykeeper.record.model import MedicineEntry


def medicines(
    *,
    clinic: PathText,
    surgery: MomentText,
    patient: PathText = "",
    anaesthesia: str = "unknown",
    as_of: str | date | None = None,
    patient_identifier: str = "",
    episode: int = 1,
    from_: str = "",
    show_identifiers: bool = False,
    pathway: str = "",
) -> MedicinesPage:
    """Propose for each medicine of the patient's list whether it continues, pauses, or must be asked about.

    patient   a file or folder with the Patient and what is known of them; may be left out where `from_` is given
    surgery   local date and time of the clinic, `2026-03-18T07:30` or a datetime
    as_of     the day on which a last dose counts as late; today in the clinic's zone
    from_     a server: prescribers' answers, other live episodes, and the record where no file is given
    pathway   which of the patient's plans is meant; by default the one of this episode whose surgery is on that day:
              what was answered for another operation, or for another day, is no answer to this one

    The page has exactly one row for each medicine that came in. Without `from_` answers are not known.
    """
    from waykeeper.fhir import is_ours
    from waykeeper.medicines import recorded_cautions, rules_with, unmet
    from waykeeper.plan.record_cautions import caution_notes
    from waykeeper.plan.surgery_day import surgery_notes
    from waykeeper.record import read
    from waykeeper.verbs.compiling import alive, plans_of, record_of

    words.choice(anaesthesia, inputs.ANAESTHESIA, "--anaesthesia")
    words.positive(episode, "--episode")
    identifier = inputs.identifier_of(patient_identifier, "--patient-identifier") if patient_identifier else None
    clinic, patient = as_text(clinic), as_text(patient)
    known = inputs.clinic_of(clinic)
    moment = inputs.moment_of(as_text(surgery), known.zone, "--surgery")
    inputs.covered(moment, known.calendar, "--surgery")
    day = inputs.as_of_date(as_of, known.zone)
    policies = inputs.policies_of(known, clinic)
    held = record_of(patient, from_, identifier)
    with inputs.blamed(patient):
        record = read(held, is_ours, patient or from_, zone=known.zone, surgery=moment.day, today=day)
        alive(record.patient, patient or from_)
        if identifier:
            inputs.owned(record.patient, identifier, patient or from_)
        plans = plans_of(held, from_, record.patient, identifier, known)
        own = _of_this_operation(plans, moment.day, episode, pathway, identifier, from_ or patient)
        made = _page(record, moment, known, policies, plans, own, anaesthesia, day, show_identifiers)
        noticed = surgery_notes(moment, known.calendar, record)
        cautions = recorded_cautions(record.resources, moment.day)
        unmet_by = unmet(cautions, [line.row for line in made.lines], moment.day, rules_with(known.medicine_words))
        noticed += caution_notes(unmet_by, "no medicine of this list meets it: ask the surgical team")
        return replace(made, findings=(*noticed, *record.findings, *made.findings))


def _of_this_operation(
    plans: Sequence[tuple[Plan, State]], day: date, episode: int, pathway: str, who: Identifier | None, source: str
) -> tuple[Plan, State] | None:
    """The plan of the operation that is asked about; None where it has none yet: the others are other operations."""
    from waykeeper.exchange.reading import of_pathway, told_apart

    numbered = [(p, s) for p, s in plans if p.episode.number == episode]
    meant = of_pathway(numbered, pathway) if pathway else [(p, s) for p, s in numbered if p.surgery_day == day]
    if not meant and not pathway:
        return None
    names = ", ".join(sorted({p.pathway.name for p, _ in numbered}))
    return inputs.single(list(told_apart(meant, who)), source, f"Name the pathway with --pathway: {names}.")


def _page(
    record: Any,
    surgery: Any,
    clinic: Clinic,
    policies: Mapping[str, str],
    plans: Sequence[tuple[Plan, State]],
    own: tuple[Plan, State] | None,
    anaesthesia: str,
    as_of: date,
    show_identifiers: bool,
) -> MedicinesPage:
    from waykeeper.medicines import clearance, page, patient_facts, propose, rules_with
    from waykeeper.verbs.compiling import other_surgeries

    rules = rules_with(clinic.medicine_words)
    limits = (clinic.settings.creatinine_stale_days, clinic.settings.creatinine_refused_days)
    rows = propose(
        record.medicines,
        surgery,
        record.kidney,
        anaesthesia,
        policies,
        calendar=clinic.calendar,
        answers=_answers([own[1]] if own else [], record.medicines, rules),
        surgeries=other_surgeries([(p, s) for p, s in plans if own is None or p.episode != own[0].episode]),
        facts=patient_facts(record.resources),
        creatinine_days=limits,
        rules=rules,
    )
    return page(
        rows,
        record.medicines,
        surgery=surgery,
        anaesthesia=anaesthesia,
        clearance=clearance(record.kidney, surgery.day, *limits),
        policies=policies,
        as_of=as_of,
        clinic=clinic.name,
        patient=_named(record.patient, clinic, show_identifiers),
        rules=rules,
    )


def _answers(states: Sequence[State], medicines: Sequence[MedicineEntry], rules: Ruleset) -> dict[str, AnswerLike]:
    """What prescribers answered, by the key of the row; also about another medicine that stood under its order."""
    from waykeeper.fhir import answers
    from waykeeper.plan.answers import for_list

    found: dict[str, AnswerLike] = {}
    for state in states:
        standing, past = for_list(answers(state), medicines, rules)
        found |= past | {key.item: answer for key, answer in standing.holds.items()}
    return found


def _named(patient: Mapping[str, Any], clinic: Clinic, show_identifiers: bool) -> str:
    """Name, birth date and identifier: a form that is signed must not be mistaken for another patient's."""
    from waykeeper.plan.compile import patient_identifier
    from waykeeper.plan.patient import name_of
    from waykeeper.record import Record
    from waykeeper.report.plain import shortened

    try:
        value = patient_identifier(Record(patient, ()), clinic).value
    except WaykeeperError:  # a plan needs one, the page does not
        value = ""
    born = str(patient.get("birthDate") or "")
    parts = (name_of(patient), born and f"born {born}", value if show_identifiers else shortened(value))
    return ", ".join(part for part in parts if part)
