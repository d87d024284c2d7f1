"""Move a plan to another surgery date, side, anaesthesia or pathway version; everything that follows from it, said."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from waykeeper.counting import counted
from waykeeper.exchange.files import Held
from waykeeper.fhir import answers as read_answers
from waykeeper.fhir import evidence, is_ours, read_all
from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.merge.rounds import CHANGE
from waykeeper.pathway.library import names
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Evidence, Identifier, Key, Plan, State
from waykeeper.record import Record, identifier_names, read
from waykeeper.timing import working_days_after
from waykeeper.timing.model import Moment, Standing
from waykeeper.verbs import inputs, words
from waykeeper.verbs.compiling import legal, odd, other_surgeries, whole
from waykeeper.verbs.words import Holds, MomentText, PathText, as_text
from waykeeper.version import older

if TYPE_CHECKING:
    from waykeeper.exchange.moving import Moved
    from waykeeper.exchange.pushing import Why
    from waykeeper.pathway.model import Clinic, Pathway
    from waykeeper.report.moved import MovedPlan, Status

BACK = "version {} of the pathway is older than {}, which the plan followed: make sure that going back is meant"
OF_THE_PLAN = (
    "Give the record of the patient whose plan it is: the medicines of somebody else would get into it. Where the"
    " patient's number was replaced, give the Patient the number of the plan again, as an identifier whose use is old."
)


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be other than before; "" leaves it as it is. `record` is a file or folder, "" for the server's."""

    surgery: str = ""
    discharge: str = ""
    side: str = ""
    anaesthesia: str = ""
    pathway: str = ""
    clinic: str = ""
    record: str = ""


@dataclass(frozen=True)
class Move:
    """One move: what it means for people, and the plan as files hold it where nothing was sent."""

    told: MovedPlan
    moved: Moved
    bookings: dict[Key, Evidence]
    bundle: dict[str, Any] | None = None


def move(
    from_: PathText,
    *,
    patient: str = "",
    surgery: MomentText = "",
    discharge: MomentText = "",
    side: str = "",
    anaesthesia: str = "",
    pathway: PathText = "",
    clinic: PathText = "",
    record: PathText = "",
    episode: int = 1,
    reason: str = "",
    by: str = "",
    reinstate: bool = False,
    dry_run: bool = False,
    holds: Holds = "test",
    as_of: str | date = "",
) -> Move:
    """Move one patient's plan and merge it with what stands, in one transaction.

    from_       a server; or a file or folder that holds the plan (nothing is sent then, `.bundle` has the new plan)
    record      the patient's record, where the server or file of the plan does not hold it
    reinstate   a plan that was withdrawn is wanted again
    as_of       the day on which people are told; today in the clinic's zone

    Run again it changes nothing and says the same. Raises WaykeeperError with what keeps it from moving.
    """
    from_, surgery, discharge = as_text(from_), as_text(surgery), as_text(discharge)
    pathway, clinic, record = as_text(pathway), as_text(clinic), as_text(record)
    wish = checked(Wish(surgery, discharge, side, anaesthesia, pathway, clinic, record))
    words.positive(episode, "--episode")
    day = inputs.day_of(as_of, "--as-of") if as_of else None
    if not words.is_url(from_):
        return _in_files(from_, wish, episode, day, reason, by)
    identifier = inputs.identifier_of(_given(patient), "--patient")
    return Moving(from_, holds, reason, by, day).move(identifier, wish, episode, reinstate, dry_run)


def _given(patient: str) -> str:
    if not patient:
        raise WaykeeperError(finding("WKC203", "--patient is missing", help="Add --patient 'SYSTEM|VALUE'."))
    return patient


def checked(wish: Wish) -> Wish:
    """The wish, its words looked at before anything is read. Raises WaykeeperError WKC201."""
    words.choice(wish.side, inputs.SIDES, "--side")
    words.choice(wish.anaesthesia, inputs.ANAESTHESIA, "--anaesthesia")
    for option, text in (("--surgery", wish.surgery), ("--discharge", wish.discharge)):
        if text:
            inputs.parsed(text, option)
    return wish


@dataclass
class Moving:
    """Moves plans on one server; what was loaded for one patient serves the next."""

    url: str
    holds: Holds = "test"
    reason: str = ""
    by: str = ""
    day: date | None = None
    _sources: Sources = field(init=False)

    def __post_init__(self) -> None:
        """Connect; the sources are shared."""
        from waykeeper.exchange import Server
        from waykeeper.exchange.moving import Mover

        self.server = Server(self.url, kind=self.holds)
        self._sources = Sources()
        self._mover = Mover(self.server, datetime.now(UTC), self._why(), self.day)

    def _why(self) -> Why:
        from waykeeper.exchange.pushing import Why

        return Why("move", self.by.strip(), self.reason.strip())

    def move(self, patient: Identifier, wish: Wish, episode: int, reinstate: bool, dry_run: bool) -> Move:
        """One plan. Raises WaykeeperError."""
        from waykeeper.exchange.reading import record_resources

        def recorded() -> Sequence[Held]:
            if wish.record:
                return inputs.record_in(wish.record)
            return record_resources(self.server, patient, whole=True)

        again = Recompiler(self._sources, wish, recorded, self.day, self.url)
        moved = self._mover.move(
            patient, again, episode=episode, pathway=wish.pathway, reinstate=reinstate, dry_run=dry_run
        )
        return told(moved, again, self.day, self.reason, self.by)


def _in_files(path: str, wish: Wish, episode: int, day: date | None, reason: str, by: str) -> Move:
    from waykeeper.exchange.moving import moved_in_files
    from waykeeper.fhir import bundle as as_bundle

    held = inputs.held_of([path]) if wish.record else inputs.record_in(path)
    with inputs.blamed(path):

        def recorded() -> Sequence[Held]:
            return inputs.record_in(wish.record) if wish.record else [h for h in held if not is_ours(h[1])]

        again = Recompiler(Sources(), wish, recorded, day, path)
        moved = moved_in_files(held, again, day, episode=episode, pathway=wish.pathway)
        made = as_bundle(moved.decided.plan, {k: s.round for k, s in moved.new_state.items.items() if s.round > 1})
        legal(made)
    again.notices += _left_behind(moved.new_state, path)
    return replace(told(moved, again, day, reason, by), bundle=made)


def _left_behind(state: State, path: str) -> tuple[str, ...]:
    """What people did is told as standing, and the new Bundle is a plan to be pushed, in which nothing is done yet."""
    theirs = sum(own.cls in ("busy", "done") for own in state.items.values())
    said = f"the new Bundle holds what is planned: what people did is not in it and stays in {path}"
    return (f"{said} ({counted(theirs, 'item')})",) if theirs else ()


class Sources:
    """Clinics and pathways, each loaded once."""

    def __init__(self) -> None:
        """Nothing loaded yet."""
        self._clinics: dict[str, Clinic] = {}
        self._pathways: dict[tuple[str, str, str], Pathway] = {}

    def clinic(self, wanted: str, plan: Plan) -> tuple[str, Clinic]:
        """The clinic that was named, else the library's of the plan's address. Raises WaykeeperError."""
        name = wanted or self._named(plan.episode.clinic_url)
        if name not in self._clinics:
            self._clinics[name] = inputs.clinic_of(name)
        found = self._clinics[name]
        if found.url != plan.episode.clinic_url:
            details = f"the clinic {name!r} has the address {found.url}, the plan's is {plan.episode.clinic_url}"
            raise WaykeeperError(finding("WKC212", details))
        return name, found

    def _named(self, url: str) -> str:
        from waykeeper.pathway.library import clinic_names

        for name in clinic_names():
            self._clinics.setdefault(name, inputs.clinic_of(name))
            if self._clinics[name].url == url:
                return name
        details = f"no clinic of the library has the address {url}"
        raise WaykeeperError(finding("WKC203", details, help="Add --clinic FILE."))

    def pathway(self, wanted: str, plan: Plan, name: str, clinic: Clinic) -> Pathway:
        """The pathway that was named, else the library's of the plan's own version. Raises WaykeeperError."""
        if not wanted and plan.pathway.name not in names():
            details = f"the library has no pathway {plan.pathway.name!r}, which the plan follows"
            raise WaykeeperError(finding("WKC203", details, help="Add --pathway FILE."))
        key = (wanted or plan.pathway.name, name, clinic.url)
        if key not in self._pathways:
            self._pathways[key] = inputs.pathway_of(key[0], clinic, name)[0]
        chosen = self._pathways[key]
        if chosen.url != plan.pathway.url:
            details = f"the pathway {wanted!r} is {chosen.url}, the plan follows {plan.pathway.url}"
            raise WaykeeperError(finding("WKC212", details))
        if not wanted and chosen.version != plan.pathway.version:
            has, follows = chosen.version, plan.pathway.version
            details = f"the library has version {has}, the plan follows version {follows}"
            remedy = f"Add --pathway {plan.pathway.name} to upgrade the plan, or --pathway FILE of its own version."
            if older(has, follows):
                details = f"the library has version {has}, older than {follows} that the plan follows"
                remedy = f"Have this library brought up to date, or add --pathway FILE of version {follows}."
            raise WaykeeperError(finding("WKC212", details, help=remedy))
        return chosen


@dataclass
class Recompiler:
    """Compiles a plan again from what stands, with what is wanted. The latest clinic and findings are kept."""

    sources: Sources
    wish: Wish
    recorded: Callable[[], Sequence[Held]]
    day: date | None
    place: str
    clinic: Clinic | None = None
    notices: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    def __call__(self, old: Plan, state: State, held: Sequence[Held]) -> Plan:
        """The plan as it is wanted now.

        Raises WaykeeperError: WKC207 died, WKC209 the record is somebody else's, WKC211 it is not there, WKC213 surgery
        took place, WKC214 the new day is over.
        """
        wish = self.wish
        name, clinic = self.sources.clinic(wish.clinic, old)
        pathway = self.sources.pathway(wish.pathway, old, name, clinic)
        self.clinic = clinic
        given, self.notices = self._given(old, pathway, clinic)
        if older(pathway.version, old.pathway.version):
            self.notices += (BACK.format(pathway.version, old.pathway.version),)
        place = wish.record or self.place
        record = read(list(self.recorded()), is_ours, place, zone=clinic.zone, surgery=given["surgery"].day)
        self._possible(record, old, state)
        today = self.day or inputs.as_of_date(None, clinic.zone)
        _still_to_come(old, state, given["surgery"], today)
        plan = compile_plan(
            pathway, clinic, record, given,
            side=wish.side or old.side, anaesthesia=wish.anaesthesia or old.anaesthesia,
            identifier=old.episode.patient, episode=old.episode.number, answers=read_answers(state),
            surgeries=other_surgeries([(p, s) for p, s in read_all(held) if p.episode != old.episode]),
        )  # fmt: skip
        _not_over(plan, old, today)
        self.findings = (*odd(record, place), *plan.findings)
        self.notices += _other_plans(held, old, plan, today)
        return plan

    def _possible(self, record: Record, old: Plan, state: State) -> None:
        """Neither the dead nor a plan without its medicines is moved, and none with the record of somebody else."""
        hers = {str(old.episode.patient), *old.patient.merged}
        if hers.isdisjoint(identifier_names(record.patient)):  # a number of before, where records were merged, is hers
            inputs.owned(record.patient, old.episode.patient, self.wish.record or self.place, OF_THE_PLAN)
        if state.deceased or state.deceased_on or record.patient.get("deceasedBoolean"):
            raise WaykeeperError(finding("WKC207", "the Patient is recorded as deceased, no plan is moved"))
        whole(record, old, state, named=bool(self.wish.record))

    def _given(self, old: Plan, pathway: Pathway, clinic: Clinic) -> tuple[dict[str, Moment], tuple[str, ...]]:
        """The anchors that a person gave: what is wanted now, and what was given before and is not overtaken."""
        stood = {a.name: _as_given(a.moment, clinic.zone) for a in old.anchors if a.moment is not None}
        before = stood.get("surgery")
        surgery = inputs.moment_of(self.wish.surgery, clinic.zone, "--surgery") if self.wish.surgery else before
        if surgery is None:
            raise WaykeeperError(finding("WKC203", "the plan has no surgery day", help="Add --surgery."))
        inputs.covered(surgery, clinic.calendar, "--surgery")
        moves = surgery != before
        given = {"surgery": surgery}
        notices = []
        for anchor in old.anchors:
            if anchor.name in ("surgery", CHANGE) or anchor.standing is not Standing.GIVEN or anchor.moment is None:
                continue
            if moves and (before is None or anchor.moment.day >= before.day):
                notices.append(f"{anchor.name} was given as {anchor.moment.day}; it is assumed again for the new date")
            else:
                given[anchor.name] = stood[anchor.name]
        if self.wish.discharge:
            given["discharge"] = inputs.moment_of(self.wish.discharge, clinic.zone, "--discharge")
            inputs.in_order(surgery, given["discharge"])
        self._changed(given, old, moves, clinic)
        known = {rule.name for rule in pathway.anchors}
        return {name: moment for name, moment in given.items() if name in known}, tuple(notices)

    def _changed(self, given: dict[str, Moment], old: Plan, moves: bool, clinic: Clinic) -> None:
        """The day on which the date was changed: today where it moves now, else as it stands."""
        stands = old.anchor(CHANGE)
        if moves:
            given[CHANGE] = Moment(self.day or inputs.as_of_date(None, clinic.zone))
        elif stands and stands.moment and stands.standing is Standing.GIVEN:
            given[CHANGE] = stands.moment


def _as_given(moment: Moment, zone: str) -> Moment:
    """A moment that stands, where the clinic's file names another zone now: people gave the day and the time of day.

    Read as an instant it would be another time for the patient, and beyond midnight another day.
    """
    if moment.clock is None or moment.zone == zone:
        return moment
    return inputs.moment_of(f"{moment.day}T{moment.clock}", zone, "--surgery")


def _still_to_come(old: Plan, state: State, surgery: Moment, today: date) -> None:
    """What took place is not moved: everything after it would be chased from another day than the true one.

    A day that has not come yet is proven by nothing.
    """
    anchor = old.anchor("surgery")
    proof = state.proven.get("surgery") or (anchor.evidence if anchor and anchor.standing is Standing.RECORDED else "")
    if proof and anchor and anchor.moment and anchor.moment.day <= today and anchor.moment.day != surgery.day:
        details = f"surgery took place on {anchor.moment.day}, {proof} proves it"
        raise WaykeeperError(finding("WKC213", details))


def _not_over(new: Plan, old: Plan, today: date) -> None:
    """A new day that is over is a slip of the year, unless the record proves that surgery took place on it."""
    was, anchor = old.anchor("surgery"), new.anchor("surgery")
    if anchor is None or anchor.moment is None or anchor.standing is Standing.RECORDED:
        return
    moves = was is None or was.moment is None or was.moment.day != anchor.moment.day
    if moves and anchor.moment.day < today:
        raise WaykeeperError(finding("WKC214", f"--surgery {anchor.moment} is over on {today.isoformat()}"))


def _other_plans(held: Sequence[Held], old: Plan, new: Plan, today: date) -> tuple[str, ...]:
    """Other plans of the patient: on the same day, both joints at once for instance, each is moved by itself.

    Whose medicines pause was planned around the day of before: its holds name it, and may have to be longer or asked.
    Once that operation took place nothing of it is planned again.
    """
    was, now = old.surgery_day, new.surgery_day
    found = []
    for plan, state in sorted(read_all(held), key=lambda pair: (pair[0].pathway.name, pair[0].episode.number)):
        day = plan.surgery_day
        if plan.episode == old.episode or plan.withdrawn or state.plan_status not in ("active", "draft", "on-hold"):
            continue
        which = f"{plan.pathway.title or plan.pathway.name}, episode {plan.episode.number}"
        if day is not None and day in (was, now):
            found.append(f"another plan of this patient is on {day}: {which}; it does not move with this")
        if was != now and any(i.key.kind == "hold" for i in plan.items) and not _operated(plan, state, today):
            again = f"compile it again with --from and --episode {plan.episode.number}, and push it"
            found.append(f"the medicines of another plan were planned around the day of before: {which}; {again}")
    return tuple(found)


def _operated(plan: Plan, state: State, today: date) -> bool:
    """True where the plan's surgery is over, or proven on its day: a day that has not come is proven by nothing."""
    anchor, day = plan.anchor("surgery"), plan.surgery_day
    if anchor is None or day is None:
        return False
    proven = "surgery" in state.proven or anchor.standing is Standing.RECORDED
    return day < today or (proven and day == today)


def told(moved: Moved, again: Recompiler, day: date | None, reason: str, by: str) -> Move:
    """What the move means, with the bookings that the gap report would show."""
    from waykeeper.gaps import worklist
    from waykeeper.report.moves import After, Before, moved_plan
    from waykeeper.report.proven import bookings_of

    clinic = again.clinic
    assert clinic is not None
    today = day or inputs.as_of_date(None, moved.new.zone)
    found = list(evidence(moved.decided.standing or moved.held, moved.new.zone))
    rows = worklist([(moved.new, moved.new_state)], found, today).rows
    was = worklist([(moved.old, moved.old_state)], found, today).rows
    bookings = bookings_of(moved.new, rows, found)
    old_bookings = bookings_of(moved.old, was, found)
    seen = moved_plan(
        Before(moved.old, moved.old_state, moved.held, old_bookings),
        moved.decided,
        After(moved.new, moved.new_state, bookings, [r for r in rows if r.kind == "visit"]),
        status=_status(moved),
        as_of=today,
        next_open=working_days_after(today, 1, clinic.calendar),
        reason=reason,
        by=by,
        findings=(*again.findings, *moved.findings),
        notices=(*again.notices, *_other_notices(moved)),
    )
    return Move(seen, moved, bookings)


def _status(moved: Moved) -> Status:
    if moved.sent:
        return "moved"
    if moved.earlier:
        return "moved before"
    return "would be moved" if moved.decided.changing else "unchanged"


def _other_notices(moved: Moved) -> tuple[str, ...]:
    """What the merge noticed, but for bookings outside their windows: those are to-dos of their own."""
    return tuple(n for n in moved.decided.notices if "outside its window" not in n)
