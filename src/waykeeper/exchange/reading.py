"""What a server holds of our plans, with everything that they are laid beside; and a patient's record."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import PurePath
from typing import Any

from waykeeper.exchange.errors import BadAnswerError, grave
from waykeeper.exchange.kinds import EVIDENCE, OURS, RECORD
from waykeeper.exchange.matches import not_given_of
from waykeeper.exchange.server import NOT_OFFERED, Held, Pairs, Server, not_offered
from waykeeper.exchange.unreadable import legible
from waykeeper.fhir import episode_of, identity, is_ours, read_all, rootless
from waykeeper.fhir.conditions import token
from waykeeper.fhir.identity import named_by
from waykeeper.fhir.measured_since import looks_at_kidney
from waykeeper.fhir.names import IDENTIFIER_PATH, TAG_CODE, TAG_SYSTEM
from waykeeper.fhir.ownership import offered_of
from waykeeper.fhir.patients import merged_with
from waykeeper.fhir.shape import whose
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.medicines import pregnancy_asked
from waykeeper.plan.model import Episode, Identifier, Plan, State
from waykeeper.record import (
    CREATININE,
    LOINC,
    MEDICINE_TYPES,
    PRODUCTS,
    WEIGHT,
    Medications,
    identifier_names,
    pointed_at,
    relative,
    says_which,
)

NEVER = datetime.min.replace(tzinfo=UTC)
AT_ONCE = 40  # patients, or Medications, in one search
WHOEVERS = ("CarePlan", "MedicationRequest", "ServiceRequest", "Task")  # of ours, read whoever wrote them
TAG = ("_tag", f"{TAG_SYSTEM}|{TAG_CODE}")
LEFT_OUT = "The server must search by patient: `waykeeper server` shows which searches it does not do as asked."
NO_SUCH_SEARCH = (400, 501)  # how a server refuses a parameter that it does not know


def patients(server: Server, patient: Identifier) -> list[Held]:
    """The Patient resources that carry an identifier; the identifier never enters a URL.

    Raises BadAnswerError WKX218 where what the server found does not carry it: a plan would go to another person.
    """
    escaped = token(patient.system, patient.value)
    found = server.search("Patient", [("identifier", escaped)], private=True)
    named = _of_number(found, patient)
    if not named and escaped != str(patient):
        # a server that takes the escapes for a part of the number does not find her, and she would be created again
        named = _of_number(_if_offered(server, "Patient", [("identifier", str(patient))], private=True), patient)
    if found and not named:
        others = ", ".join(ref for ref, _ in found[:5])
        raise BadAnswerError(finding("WKX218", f"{others} was found, without the identifier asked for"), 200)
    return named


def _of_number(found: Sequence[Held], patient: Identifier) -> list[Held]:
    known = (patient.system, patient.value)
    return [(ref, r) for ref, r in found if known in {(i.get("system", ""), i.get("value")) for i in _entries(r)}]


def _entries(patient: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [one for one in patient.get("identifier") or () if isinstance(one, Mapping)]


def one_patient(server: Server, patient: Identifier) -> Held | None:
    """The Patient of an identifier, None where there is none. Raises BadAnswerError WKX220 where there are several."""
    found = patients(server, patient)
    if len(found) > 1:
        shown = ", ".join(ref + _left(r) for ref, r in found)
        raise BadAnswerError(finding("WKX220", f"{len(found)} patients have this identifier: {shown}"), 412)
    return found[0] if found else None


def _left(patient: Mapping[str, Any]) -> str:
    """What says of a Patient that another is used in its place (FHIR R4, Patient.link)."""
    links = [link for link in patient.get("link") or () if isinstance(link, Mapping)]
    others = [one.get("other") for one in links if one.get("type") == "replaced-by"]
    named = [str(other.get("reference") or "another") for other in others if isinstance(other, Mapping)]
    return f" (replaced by {relative(named[0])})" if named else ""


def one_person(server: Server, patient: Identifier) -> list[Held]:
    """The Patient of an identifier and those that were merged with it, none where there is none.

    Raises BadAnswerError WKX220 where several have the identifier.
    """
    held = one_patient(server, patient)
    return with_merged(server, [held]) if held else []


def with_merged(server: Server, people: Sequence[Held], lacking: list[Finding] | None = None) -> list[Held]:
    """Patients, and those that were merged with them, however often: what other systems write at these is theirs too.

    A link may stand on either of the two, so that those are looked for that a Patient names and those that name it. On
    a server that does not search by links, or does not let us, only the former are found.
    """
    found = dict(people)
    new = found
    while new:
        near = {name for ref, r in new.items() for name in (ref, *_merged(server, r))}
        met = [*_named(server, new, found.keys(), lacking), *_naming(server, new, lacking)]
        new = {ref: r for ref, r in met if ref not in found and near.intersection(_names(server, ref, r))}
        found |= new
    return list(found.items())


def _names(server: Server, reference: str, patient: Mapping[str, Any]) -> tuple[str, ...]:
    return (reference, *identifier_names(patient), *_merged(server, patient))


def _merged(server: Server, patient: Mapping[str, Any]) -> tuple[str, ...]:
    """The names that a Patient gives those that were merged with it, no reference to another server: here the same id
    is another person."""
    elsewhere = [link for link in patient.get("link") or () if _elsewhere(server, link)]
    return merged_with({**patient, "link": [one for one in patient.get("link") or () if one not in elsewhere]})


def _elsewhere(server: Server, link: Any) -> bool:
    return isinstance(link, Mapping) and server.elsewhere(_reference(link.get("other")))


def _named(
    server: Server, people: Mapping[str, Mapping[str, Any]], known: Collection[str], lacking: list[Finding] | None
) -> list[Held]:
    """The Patients that these name as merged with them; an identifier never enters a URL."""
    names = sorted({name for r in people.values() for name in _merged(server, r)} - set(known))
    ids = ",".join(name.removeprefix("Patient/") for name in names if name.startswith("Patient/"))
    numbers = ",".join(token(*name.partition("|")[::2]) for name in names if "|" in name)
    wanted: list[Pairs] = [[(key, value)] for key, value in (("_id", ids), ("identifier", numbers)) if value]
    return [pair for pairs in wanted for pair in server.search("Patient", pairs, private=True, lacking=lacking)]


def _naming(server: Server, people: Mapping[str, Mapping[str, Any]], lacking: list[Finding] | None) -> list[Held]:
    """The Patients that have a link to these."""
    return _if_offered(server, "Patient", [("link", ",".join(people))], lacking)


def _if_offered(
    server: Server, kind: str, pairs: Pairs, lacking: list[Finding] | None = None, *, private: bool = False
) -> list[Held]:
    """What a search finds; nothing where the server does not offer it, or not to us."""
    try:
        return server.search(kind, pairs, private=private, lacking=lacking)
    except BadAnswerError as refused:
        if refused.status not in NOT_OFFERED:
            raise
        return []


def plan_resources(server: Server, patient: Identifier | None, *, lacking: list[Finding] | None = None) -> list[Held]:
    """The plans of one patient, or of every patient that has one, with the Patient and what they are laid beside.

    That is: our resources, and everybody's Appointments, Encounters, Communications, ServiceRequests, Tasks,
    orders of medicines and MedicationStatements.

    lacking   of every patient: gets what the server did not give (WKC225) and what has not the shape of a resource
              (WKX219), which is left out; without a list each is a failure, and so is what else cannot be read
    """
    if patient is not None:
        people = one_person(server, patient)
        if not people:
            return []
        theirs = of_patients(server, [ref for ref, _ in people])
        _nobody_elses(theirs, people)
        return legible([*people, *theirs])
    plans = _plans_by_patient(server, lacking)
    subjects = sorted(plans)
    found: list[Held] = []
    for start in range(0, len(subjects), AT_ONCE):
        some = subjects[start : start + AT_ONCE]
        read = _of_some(server, some, lacking)
        there = {ref for ref, _ in read}
        found += read
        for alone in (one for one in some if len(some) > 1 and not plans[one] <= there):  # no lists in its searches
            found += [pair for pair in _of_some(server, [alone], lacking) if pair[0] not in there]
    return found if lacking is not None else legible(found)


def _nobody_elses(held: Sequence[Held], people: Sequence[Held]) -> None:
    """Raises BadAnswerError WKX218 for a plan of somebody else: a server that leaves a parameter out without a word
    gives every patient's, and what is noted, moved or printed would be another person's."""
    names = {name for ref, r in people for name in (ref, *identifier_names(r))}
    plans = [(ref, _subject(r), episode) for ref, r in held if (episode := episode_of(r)) is not None]
    others = [f"{ref} of {whose}" for ref, whose, e in plans if names.isdisjoint((whose, str(e.patient)))]
    if others:
        details = f"a search by patient gave plans of others: {', '.join(others[:5])}"
        raise BadAnswerError(finding("WKX218", details, help=LEFT_OUT), 200)


def _of_some(server: Server, subjects: Sequence[str], lacking: list[Finding] | None) -> list[Held]:
    ids = ",".join(one.partition("/")[2] for one in subjects)
    people = with_merged(server, server.search("Patient", [("_id", ids)], private=True, lacking=lacking), lacking)
    every = dict.fromkeys([*subjects, *(ref for ref, _ in people)])
    return [*people, *of_patients(server, list(every), lacking=lacking)]


def _plans_by_patient(server: Server, lacking: list[Finding] | None) -> dict[str, set[str]]:
    """The patients of whom the server has a plan, with what says so. A root without its tag is found by its phases.

    Where nothing has our tag, or the server does not search by it, every CarePlan is looked at: there our own extension
    says which are plans.
    """
    held = _by_tag(server, [("CarePlan", [TAG])], lacking) or []
    if not held:
        plans = server.search("CarePlan", [("intent", "plan")], lacking=lacking)
        held = [pair for pair in plans if episode_of(pair[1])]
    found: dict[str, set[str]] = {}
    for ref, resource in held:
        if subject := _subject(resource):
            found.setdefault(subject, set()).add(ref)
    return found


def _by_tag(server: Server, wanted: Sequence[tuple[str, Pairs]], lacking: list[Finding] | None) -> list[Held] | None:
    """What searches by our tag find; None on a server that refuses to search by tags."""
    try:
        return server.searches(wanted, lacking=lacking)
    except BadAnswerError as refused:
        if refused.status not in NO_SUCH_SEARCH:
            raise
        return None


def _subject(resource: Mapping[str, Any]) -> str:
    return relative(str((resource.get("subject") or {}).get("reference") or ""))


def of_patients(server: Server, references: Sequence[str], *, lacking: list[Finding] | None = None) -> list[Held]:
    """Our resources of these patients, everybody's CarePlans, orders, Tasks and evidence.

    Ours carry our tag. Where one that a plan offered is not among them, it is looked for by its identifier: another
    system may have saved it without the tag, on a server that does not keep tags by itself. What says so is the plan's
    own CarePlan, so that those are read whether they have the tag or not. An order of a medicine that came after the
    plan was made is nobody's pause yet, and one for the operation may name another day; a copy of a Task may say
    that it is done: the list has to tell. `lacking` as for `plan_resources`.
    """
    who = ("patient", ",".join(references))
    evidence = [(kind, [who]) for kind in EVIDENCE]
    ours = [(kind, [who] if kind in WHOEVERS else [who, TAG]) for kind in OURS]
    found = _by_tag(server, [*ours, *evidence], lacking)
    if found is None:
        found = server.searches([*((kind, [who]) for kind in OURS), *evidence], lacking=lacking)
    untagged = _untagged(found)
    if untagged:
        by_name = [("patient", ",".join(sorted(untagged))), ("identifier", ",".join(_systems(found)))]
        known = dict(found)
        named = server.searches([(kind, by_name) for kind in OURS], lacking=lacking)
        found += [pair for pair in named if pair[0] not in known]
    return found


def _untagged(held: Sequence[Held]) -> set[str]:
    """The patients of whose plans something was offered that is not among what was read."""
    names = {name for _, r in held for name in named_by(r)}
    roots = [r for _, r in held if episode_of(r) is not None]
    lacking = [r for r in roots if not names.issuperset(map(str, offered_of(r).get("ever", ())))]
    return {_subject(r) for r in lacking} - {""}


def under_another_number(server: Server, episode: Episode) -> list[tuple[str, str]]:
    """The CarePlan that has the plan's own identifier, with its Patient, wherever on the server it is.

    Asked where the plan is not found by its patient: where a number was replaced the plan hangs on a Patient who has
    the new one only, and would be created for a second Patient. A server that does not search so, or only within one
    patient, says nothing.
    """
    name = episode.uuid(PLAN_KEY.kind, PLAN_KEY.item, "plan")
    found = _if_offered(server, "CarePlan", [("identifier", token(episode.clinic_url + IDENTIFIER_PATH, name))])
    return [(ref, _subject(r)) for ref, r in found if name in named_by(r)]


def _systems(held: Sequence[Held]) -> list[str]:
    """The systems of our identifiers, as tokens of a search."""
    episodes = [e for _, r in held if (e := episode_of(r)) is not None]
    return sorted({token(e.clinic_url + IDENTIFIER_PATH, "") for e in episodes})


def newest(held: Iterable[Held]) -> list[Held]:
    """Each resource once, in the order in which it was first met: of several versions the one that was written last.

    A whole export and a later one of changes only, or a server beside its export, are so one caseload. What names no
    moment and no version is older than what does; of two that say the same the later one in the order counts. Raises
    WaykeeperError WKX222 where one reference means two patients: the sources do not belong together.
    """
    found: dict[str | int, Held] = {}
    for number, (reference, resource) in enumerate(held):
        name = reference or number  # what has no name is a resource of its own
        known = found.get(name)
        if known is not None and resource.get("resourceType") == "Patient" and not _one_person(known[1], resource):
            raise WaykeeperError(finding("WKX222", f"{reference} is two people in what was read"))
        if known is None or written(resource) >= written(known[1]):
            found[name] = (reference, resource)
    return list(found.values())


def _one_person(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """False where both have numbers of one system and none in common; with no number in common, where another birth
    date, or for want of one another family name, is told."""
    mine, theirs = _numbers(one), _numbers(other)
    if not all(mine[system] & theirs[system] for system in mine.keys() & theirs.keys()):
        return False
    if mine.keys() & theirs.keys():
        return True
    told = [(str(one.get("birthDate") or ""), str(other.get("birthDate") or "")), (_families(one), _families(other))]
    first, second = next((pair for pair in told if all(pair)), ("", ""))
    return first == second


def _numbers(patient: Mapping[str, Any]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for entry in patient.get("identifier") or ():
        if entry.get("system") and entry.get("value"):
            found.setdefault(str(entry["system"]), set()).add(str(entry["value"]))
    return found


def _families(patient: Mapping[str, Any]) -> str:
    """The family names of a Patient, comparable."""
    return " ".join(sorted({str(n["family"]).casefold() for n in patient.get("name") or () if n.get("family")}))


def written(resource: Mapping[str, Any]) -> tuple[datetime, int]:
    """When a resource was written last, and its version, so that the later of two is the greater one."""
    meta = resource.get("meta") or {}
    version = str(meta.get("versionId") or "")
    try:
        moment = datetime.fromisoformat(str(meta.get("lastUpdated") or ""))
    except ValueError:
        moment = NEVER
    return moment if moment.tzinfo else NEVER, int(version) if version.isdecimal() else 0


def record_resources(server: Server, patient: Identifier, *, whole: bool = False) -> list[Held]:
    """A patient's record for compile, with what the server says about it and does not offer (OperationOutcome).

    The Patient is the one of the identifier; what stands at those that were merged with it is of the record too.

    whole   a record of which the server holds something back is a failure (WKX217): for a plan that stands what is not
            given would look as if it were taken off

    Raises BadAnswerError WKX221 where the server has no such patient.
    """
    people = one_person(server, patient)
    if not people:
        raise BadAnswerError(finding("WKX221", "the server has no patient with this identifier"), 404)
    who = [("patient", ",".join(ref for ref, _ in people))]
    found = dict([people[0], *server.searches([(kind, who) for kind in RECORD], told=True)])
    found |= dict(_medications(server, list(found.values())))
    if whole:
        _nothing_held_back(list(found.values()))
    own, *merged = [ref for ref, _ in people]
    return [(ref, _pointed_at(own, r, merged)) for ref, r in found.items() if not is_ours(r)]


def _pointed_at(own: str, resource: dict[str, Any], merged: Collection[str]) -> dict[str, Any]:
    """What points at one that was merged with the patient as if it pointed at the patient: a record is one person's."""
    theirs = [k for k in ("subject", "patient") if merged and relative(_reference(resource.get(k))) in merged]
    return {**resource, **{k: {**resource[k], "reference": own} for k in theirs}}


def _reference(pointer: Any) -> str:
    return str(pointer.get("reference") or "") if isinstance(pointer, Mapping) else ""


def _nothing_held_back(resources: Sequence[Mapping[str, Any]]) -> None:
    failed = [said for r in resources if r.get("resourceType") == "OperationOutcome" for said in grave(r)]
    said = dict.fromkeys([*failed, *not_given_of(resources)])
    if said:
        raise BadAnswerError(finding("WKX217", f"the record: {'; '.join(said)}"), 200)


FORBIDDEN = 403
DEEPEST = 3  # a kit of products of substances; what lies deeper is an ingredient without a name, and asked about


def _medications(server: Server, resources: Sequence[Mapping[str, Any]]) -> list[Held]:
    """The Medications that the orders name by reference, and what those name as their ingredients."""
    found: dict[str, dict[str, Any]] = {}
    wanted = _products(server, resources)
    for _ in range(DEEPEST):
        if not wanted:
            break
        kinds = sorted({name.partition("/")[0] for name in wanted})
        ids = {kind: [n.partition("/")[2] for n in sorted(wanted) if n.startswith(f"{kind}/")] for kind in kinds}
        read = [pair for kind in kinds for pair in _by_ids(server, kind, ids[kind])]
        new = [(ref, r) for ref, r in read if ref not in found]
        found |= dict(new)
        wanted = _products(server, [r for _, r in new]) - found.keys()
    return list(found.items())


def medications_of_orders(server: Server, held: Sequence[Held], lacking: list[Finding]) -> list[Held]:
    """The Medications that the orders of a list point at: without them it is not known what is ordered.

    lacking   gets it where the server does not give them (WKC225): such orders are then not compared with the plan
    """
    orders = [r for _, r in held if r.get("resourceType") in MEDICINE_TYPES and not is_ours(r)]
    try:
        read = _medications(server, orders)
    except BadAnswerError as refused:
        if refused.status not in NOT_OFFERED:
            raise
        said = f"no Medication was given ({refused.status}): orders that point at one are not compared with the plan"
        lacking.append(finding("WKC225", said))
        return []
    lacking += [finding("WKC225", said) for said in not_given_of([r for _, r in read])]
    found = [(ref, r) for ref, r in read if r.get("resourceType") != "OperationOutcome"]
    known = Medications(found)
    if blind := sum(not says_which(r, known) and not (r["medicationReference"] or {}).get("display") for r in orders):
        said = f"the Medication of {blind} of the orders and statements was not given: nobody can say what these are"
        lacking.append(finding("WKC225", said))
    return found


def cautions_of_patients(server: Server, held: Sequence[Held], lacking: list[Finding]) -> list[Held]:
    """What the records of these patients say of allergies, pregnancies and diagnoses: it may have come after the plan.

    lacking   gets it where the server does not give them (WKC225): they are then not compared with the plans
    """
    people = sorted({ref for ref, r in held if r.get("resourceType") == "Patient"})
    wanted: dict[str, Pairs] = {"AllergyIntolerance": [], "Condition": [], "Observation": [("code", pregnancy_asked())]}
    found, refused = _of_people(server, people, wanted, lacking)
    if refused:
        said = "allergies, pregnancies and diagnoses are not compared with the plans"
        lacking.append(finding("WKC225", f"no {' and no '.join(refused)} was given: {said}"))
    return found


def kidney_values(server: Server, held: Sequence[Held], lacking: list[Finding]) -> list[Held]:
    """Creatinine and weight of those for whom something was proposed by them: newer ones may change it.

    lacking   gets it where the server does not give them (WKC225): they are then not compared with the plans
    """
    people = sorted({whose(r) for _, r in held if looks_at_kidney(r)} - {""})
    codes = ",".join(f"{LOINC}|{code}" for code in sorted(CREATININE | WEIGHT))
    found, refused = _of_people(server, people, {"Observation": [("code", codes)]}, lacking)
    if refused:
        said = "no Observation was given: creatinine and weight are not compared with what was proposed by them"
        lacking.append(finding("WKC225", said))
    return found


def _of_people(
    server: Server, people: Sequence[str], wanted: Mapping[str, Pairs], lacking: list[Finding]
) -> tuple[list[Held], list[str]]:
    """What a server holds of these patients of each type, and the types that it does not give."""
    found: list[Held] = []
    refused: list[str] = []
    for kind, more in wanted.items():
        for start in range(0, len(people), AT_ONCE) if kind not in refused else ():
            who = ("patient", ",".join(people[start : start + AT_ONCE]))
            try:
                found += server.search(kind, [who, *more], lacking=lacking)
            except BadAnswerError as no:
                if no.status not in NOT_OFFERED:
                    raise
                refused.append(kind)
                break
    return found, refused


def _by_ids(server: Server, kind: str, ids: Sequence[str]) -> list[Held]:
    """The resources of these ids; where Substances may not be read (403), what says so, for whoever reads it to show.

    An ingredient without a name is asked about, and the rest of the list is worth having: credentials were often
    given for orders and Medications alone. Raises BadAnswerError, NoAnswerError.
    """
    try:
        some = [ids[start : start + AT_ONCE] for start in range(0, len(ids), AT_ONCE)]
        return server.searches([(kind, [("_id", ",".join(each))]) for each in some], told=True)
    except BadAnswerError as refused:
        if kind != "Substance" or refused.status != FORBIDDEN:
            raise
        return [(f"OperationOutcome/{uuid.uuid4()}", not_offered([kind]))]


def _products(server: Server, resources: Sequence[Mapping[str, Any]]) -> set[str]:
    """`Type/id` of the Medications and Substances of this very server that orders and Medications point at."""
    said = {name for r in resources for name in pointed_at(r)}
    here = {name.removeprefix(f"{server.base}/").partition("/_history/")[0] for name in said}
    return {n for n in here if n.count("/") == 1 and n.startswith(tuple(f"{kind}/" for kind in PRODUCTS))}


def of_several(held: list[Held], episode: int, pathway: str, patient: Identifier | None = None) -> tuple[Plan, State]:
    """`one_plan`, but a pathway only chooses where the patient has several plans: what moves one may follow another.

    pathway   a name, a url, or the file of one
    """
    found = _of_episode(held, episode)
    name = PurePath(pathway).stem if pathway.endswith((".yaml", ".yml")) else pathway
    return _only(of_pathway(found, name) if len(found) > 1 else found, held, episode, patient)


def one_plan(held: list[Held], episode: int, pathway: str, patient: Identifier | None = None) -> tuple[Plan, State]:
    """The one plan that is meant. Raises BadAnswerError WKX221 where there is none, or several."""
    return _only(of_pathway(_of_episode(held, episode), pathway), held, episode, patient)


def _of_episode(held: list[Held], episode: int) -> list[tuple[Plan, State]]:
    return [(p, s) for p, s in read_all(held) if p.episode.number == episode]


def of_pathway(found: Sequence[tuple[Plan, State]], pathway: str) -> list[tuple[Plan, State]]:
    """The plans of a pathway, by its name or url; all where none is named."""
    return [(p, s) for p, s in found if pathway in ("", p.pathway.name, p.pathway.url)]


IN_FORCE = frozenset({"draft", "active", "on-hold"})  # of a plan: a suspended operation may still come


def told_apart(
    found: Sequence[tuple[Plan, State]], patient: Identifier | None, *, over: bool = False
) -> Sequence[tuple[Plan, State]]:
    """Of several plans those made with the number that is asked for, where there are; of these the one in force.

    Of records that were merged each may have its plan, and whoever gives a number means the one that has it: never is
    the other withdrawn or noted on in its place. After the clinic took another address, or the patient another number,
    the plan of before is withdrawn, and the new one has its pathway and its episode. All, where that leaves several.

    patient   None, as of files, which may be of several patients: nothing is chosen
    over      the one that is not in force is meant
    """
    if patient is None or len(found) < 2:
        return found
    named = [(p, s) for p, s in found if p.episode.patient == patient] or found
    if len({p.pathway.url for p, _ in named}) > 1:
        return named
    chosen = [(p, s) for p, s in named if _stands(p, s) is not over]
    return chosen if len(chosen) == 1 and len(named) > 1 else named


def _stands(plan: Plan, state: State) -> bool:
    return not plan.withdrawn and state.plan_status in IN_FORCE


def in_force_beside(held: Sequence[Held], plan: Plan) -> list[Plan]:
    """The other plans of this patient that are in force: where this one is over, one of them may be meant."""
    return [p for p, s in read_all(held) if p.episode != plan.episode and _stands(p, s)]


def meant_perhaps(held: Sequence[Held], plan: Plan) -> str:
    """What to add where a plan that is over was named and another episode of its pathway is in force; "" for none."""
    numbers = sorted(
        p.episode.number
        for p in in_force_beside(held, plan)
        if (p.episode.patient, p.pathway.url) == (plan.episode.patient, plan.pathway.url)
    )
    return f"Add --episode {numbers[0]}: that plan is in force." if numbers else ""


def _only(
    found: Sequence[tuple[Plan, State]], held: list[Held], episode: int, patient: Identifier | None
) -> tuple[Plan, State]:
    found = told_apart(found, patient)
    if len(found) != 1:
        names = ", ".join(sorted(p.pathway.name for p, _ in found))
        remedy = f"Name the pathway: {names}." if found else _why_none(held)
        details = f"{len(found)} plans of this patient with episode {episode}"
        raise BadAnswerError(finding("WKX221", details, help=remedy), 404)
    return found[0]


def _why_none(held: list[Held]) -> str:
    """Where a plan may be that is not found: under another name, or in a CarePlan that does not say so any more."""
    lost = [ref for ref, r in held if r.get("resourceType") == "CarePlan" and is_ours(r) and identity(r) is None]
    if lost:
        return f"{', '.join(lost)} lost what Waykeeper wrote on it: push the plan with --take ours:plan first."
    gone = [root or "its CarePlan" for _, root in rootless(held, read_all(held))]
    if gone:
        return f"{', '.join(gone)} is gone, its phases stand: push the plan with --take ours:plan first."
    return "Check the patient's identifier and the episode."


__all__ = ["IDENTIFIER_PATH", "one_patient", "one_plan", "patients", "plan_resources", "record_resources"]
