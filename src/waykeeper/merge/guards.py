"""What must hold before anything is sent: an old bundle never restores old dates, and no plan stands twice."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

from waykeeper.counting import counted
from waykeeper.fhir import answers, episode_of, read_all
from waykeeper.fhir.identity import named_by
from waykeeper.fhir.ownership import SCHEME
from waykeeper.fhir.patients import Patients
from waykeeper.fhir.status import status_class
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.findings import Finding, finding
from waykeeper.merge.groups import offer, scheme
from waykeeper.merge.held import ROOT, Holding
from waykeeper.merge.model import Held
from waykeeper.plan.answers import digest
from waykeeper.plan.model import MEDICINES, Episode, Plan, State
from waykeeper.plan.unlisted import listed
from waykeeper.timing.model import Anchor, Standing
from waykeeper.version import older


def guards(
    plan: Plan,
    held: Holding,
    *,
    reinstate: bool = False,
    moving: bool = False,
    going_back: bool = False,
    let_go: Collection[str] = (),
    today: date | None = None,
) -> list[Finding]:
    """Why this plan may not be pushed over what stands; empty where it may.

    `reinstate` is a person's word that a withdrawn plan is wanted again; `moving` that the plan was compiled from what
    stands, in order to change what only a move may change; `going_back` that an older Waykeeper may write over what a
    newer one wrote; `let_go` names the items that a person lets the plan drop;
    `today` is the day on which an operation is over or still to come.
    """
    found = [finding("WKU104", f"two resources on the server are {key} {part}") for key, part, _ in held.doubles]
    found += _others(plan, held.everything, new=held.plan is None)
    found += [] if going_back else _newer(plan, held)
    found += [] if reinstate else _unmarked_root(plan, held)
    beside = _in_force(plan, held.everything, today)
    if held.plan is not None and held.plan.withdrawn and not reinstate:
        found.append(_withdrawn(held.plan, [o for o in beside if plan.side and o.plan.side == plan.side]))
    elif held.plan is None or held.plan.withdrawn or status_class(_root(held)[1]) == "withdrawn":
        found += [_two(plan, other) for other in beside]
    found += _ended(held, reinstate)
    if held.plan is not None and not moving:
        found += [finding("WKU101", text) for text in _differences(plan, held.plan)]
        found += _another_version(plan, held.plan)
        if not found and not _knows(plan, held):
            found.append(finding("WKU102", "people recorded something since this bundle was compiled"))
        found += _forgotten(plan, held, let_go)
    return _both(found)


def _unmarked_root(plan: Plan, held: Holding) -> list[Finding]:
    """The plan's own CarePlan is gone or does not say what it must: an old bundle is not told from what stands."""
    uuid = plan.episode.uuid(PLAN_KEY.kind, PLAN_KEY.item, "plan")
    lost = [ref for ref, r in held.everything if uuid in named_by(r) and episode_of(r) is None]
    if not lost and held.plan is None and held.own:
        return [finding("WKU107", f"the plan's own CarePlan is gone, and {counted(len(held.own), 'part')} of it stand")]
    return [finding("WKU107", f"{ref} is this plan and has lost what Waykeeper wrote on it") for ref in lost]


def _ended(held: Holding, reinstate: bool) -> Iterator[Finding]:
    """A person ended the plan itself: nothing is dated or written on it as if nothing had happened.

    What is completed is not brought back by a word here: a person sets it back to active first, and sees what was let
    go with it.
    """
    if held.plan is None or held.plan.withdrawn:
        return
    ref, root = _root(held)
    cls = status_class(root)
    if cls in ("void", "done") or (cls == "withdrawn" and not reinstate):
        yield finding("WKU109", f"{ref} is {root.get('status')}: a person ended this plan")


def _root(held: Holding) -> Held:
    """The CarePlan of the plan that stands; one that lost our identifier and has a server's own id is no part of it."""
    return held.own.get(ROOT) or next(pair for pair in held.everything if episode_of(pair[1]) == held.episode)


def _in_force(plan: Plan, everything: Sequence[Held], today: date | None) -> list[Other]:
    """Other episodes for what may be the same joint whose operation is still to come: two plans of one operation.

    On hold is a plan whose surgery is expected on another day, whatever its old day is; awaited is a day that comes.
    """
    roots = [e for _, r in everything if (e := episode_of(r)) is not None]
    if not any(e != plan.episode and _one_pathway(e, plan) for e in roots):
        return []
    found = []
    for other, state in read_all(everything):
        on_hold = state.plan_status == "on-hold"
        alive = on_hold or (not other.withdrawn and state.plan_status in ("draft", "active"))
        if not alive or other.episode == plan.episode or not _one_pathway(other.episode, plan):
            continue
        if not _over(other, state, None if on_hold else today) and (
            other.side == plan.side or not (other.side and plan.side)
        ):
            found.append(Other(other, on_hold))
    return found


def _over(other: Plan, state: State, today: date | None) -> bool:
    """The operation took place, or its day is past; a plan that counts from no surgery has none to come."""
    surgery = other.anchor("surgery")
    if surgery is None or surgery.standing is Standing.RECORDED or "surgery" in state.proven:
        return True
    return surgery.moment is not None and today is not None and surgery.moment.day < today


def _one_pathway(episode: Episode, plan: Plan) -> bool:
    return replace(episode, number=plan.episode.number) == plan.episode


@dataclass(frozen=True, slots=True)
class Other:
    """Another episode of the same pathway; `on_hold` where its surgery is expected on another day."""

    plan: Plan
    on_hold: bool

    @property
    def named(self) -> str:
        """Which it is, and how it stands."""
        day = self.plan.surgery_day or "a day not known"
        surgery = "surgery on a day still awaited" if self.on_hold else f"surgery on {day}"
        return f"episode {self.plan.episode.number} of this pathway, {surgery}, is {self.stands}"

    @property
    def stands(self) -> str:
        """How it stands, in words."""
        return "on hold" if self.on_hold else "in force"


def _two(plan: Plan, beside: Other) -> Finding:
    """Two plans of one operation. Where a side is not stated, a person says by it that there are two."""
    other = beside.plan
    if plan.side and other.side:
        return finding("WKU108", f"{beside.named} for the {other.side} side too")
    here, there = "--side with this one", f"`waykeeper move --episode {other.episode.number} --side` for that one"
    missing = [name for name, side in ((here, plan.side), (there, other.side)) if not side]
    stated = f"for the {other.side} side, and this plan names no side" if other.side else "and names no side"
    help_ = (
        f"If it is of the other joint, name the side: {' and '.join(missing)}. If not, move it or withdraw it first."
    )
    return finding("WKU108", f"{beside.named} {stated}", help=help_)


def _withdrawn(stood: Plan, beside: Sequence[Other]) -> Finding:
    """Withdrawn: where another episode has taken its place, that one is meant, and this one is not brought back."""
    details = f"the plan on the server was withdrawn: {stood.withdrawn}"
    if not beside:
        return finding("WKU105", details)
    remedy = f"If that one is meant, add --episode {beside[0].plan.episode.number}."
    return finding("WKU105", f"{details}; {beside[0].named}", help=remedy)


BACK_ON_ANOTHER_DAY = (
    "Bring it back on the day that is wanted in one step: `waykeeper move` with --reinstate and --surgery, and with"
    " --pathway where the version is another. As it stood before: compile again with --from and, beside it, --patient"
    " with the same record, then push with --take ours:plan."
)


def _both(found: list[Finding]) -> list[Finding]:
    """Withdrawn, and another day: one remedy that does both, for each alone would lead into the other."""
    two = ("WKU105", "WKU101")
    if not {f.code for f in found}.issuperset(two) or any("--episode" in f.help for f in found if f.code == "WKU105"):
        return found
    return [replace(f, help=BACK_ON_ANOTHER_DAY) if f.code in two else f for f in found]


def _forgotten(plan: Plan, held: Holding, let_go: Collection[str]) -> Iterator[Finding]:
    """Medicines that stand, where the bundle has none at all; of a plan that was withdrawn whole all of them."""
    if held.plan is None or any(item.key.kind in MEDICINES for item in plan.items):
        return
    keys = [item.key for item in listed(held.plan, held.state)]
    lost = [str(k) for k in keys if str(k) not in let_go and k.item not in let_go]
    if lost:
        yield finding("WKU106", f"the bundle has no medicine, {len(lost)} stand on the server: {', '.join(lost)}")


def _differences(new: Plan, old: Plan) -> Iterator[str]:
    """Everything that only a move may change."""
    names = dict.fromkeys([a.name for a in (*old.anchors, *new.anchors)])
    for name in names:
        before, after = _shown(old.anchor(name)), _shown(new.anchor(name))
        if before != after and not _only_better_known(old.anchor(name), new.anchor(name)):
            yield f"{name} is {after} in the bundle and {before} on the server"
    for field, word in (("side", "side"), ("anaesthesia", "anaesthesia"), ("overlays", "overlays")):
        before, after = getattr(old, field), getattr(new, field)
        if before != after:
            yield f"the {word} is {after or 'not stated'} in the bundle and {before or 'not stated'} on the server"
    if new.settings != old.settings:
        yield "the clinic's settings differ between the bundle and the server"


TO_THE_NEW_VERSION = (
    "Bring the plan to it with `waykeeper move --pathway`, with the name or file of that version: it keeps what people"
    " did and says what changes."
)
NOT_BACK = (
    "Compile again with the version on the server or a newer one; have the pathway that made this brought up to date."
    " Only where the newer version shall really be given up: `waykeeper move --pathway` with the old one."
)


def _another_version(new: Plan, old: Plan) -> Iterator[Finding]:
    """Another version of the pathway; one that is older than the plan's leads nobody into going back by accident."""
    made, stands = new.pathway.version, old.pathway.version
    if older(made, stands):
        details = f"the pathway is version {made} in the bundle, older than {stands} on the server"
        yield finding("WKU101", details, help=NOT_BACK)
    elif made != stands:
        details = f"the pathway is version {made} in the bundle and {stands} on the server"
        yield finding("WKU101", details, help=TO_THE_NEW_VERSION)


def _newer(plan: Plan, held: Holding) -> Iterator[Finding]:
    """What stands was written by a newer Waykeeper: its rules may be others, and its fields are not known here."""
    if held.plan is None:
        return
    ref, root = _root(held)
    stands, made = held.plan.waykeeper, plan.waykeeper
    if older(made, stands) or scheme(root) > SCHEME:
        yield finding("WKU110", f"{ref} was written by Waykeeper {stands}, this plan was compiled by the older {made}")


WELL_KNOWN = (Standing.AWAITED, Standing.ASSUMED, Standing.GIVEN, Standing.RECORDED)  # in this order


def _only_better_known(old: Anchor | None, new: Anchor | None) -> bool:
    """Nothing moved, something was proven: the operation was recorded on the planned day, a given day was kept."""
    if old is None or new is None or old.moment is None or old.moment != new.moment:
        return False
    return WELL_KNOWN.index(new.standing) > WELL_KNOWN.index(old.standing)


def _shown(anchor: Anchor | None) -> str:
    if anchor is None:
        return "not there"
    return f"{anchor.moment or 'not known'} ({anchor.standing})"


def _knows(plan: Plan, held: Holding) -> bool:
    """True if the bundle was compiled from what people have recorded, or is the one that was merged last."""
    now = digest(answers(held.state), plan.items, plan.phases)
    if plan.answers == now:
        return True
    return held.plan is not None and plan.answers == held.plan.answers and offer(_root(held)[1], "merged") == now


def _others(plan: Plan, everything: Sequence[Held], *, new: bool) -> list[Finding]:
    """Live plans of the same patient and pathway under another identifier or clinic; a further episode is none.

    new   the plan does not stand yet: then those of records that were merged with hers count too. Of two that stood
          before the records were merged each goes on: they may be the two sides.
    """
    found = []
    every = Patients(everything, {plan.episode.patient.system}).of(str(plan.episode.patient)) if new else []
    hers = {ref for ref, _ in every}
    for ref, resource in everything:
        other = episode_of(resource)
        if other is None or other.pathway_url != plan.episode.pathway_url or status_class(resource) != "open":
            continue
        subject = str((resource.get("subject") or {}).get("reference") or "")
        same_person = other.patient == plan.episode.patient or subject == plan.patient.reference or ref in hers
        same_key = (other.clinic_url, other.patient) == (plan.episode.clinic_url, plan.episode.patient)
        if same_person and not same_key:
            found.append(finding("WKU103", f"{ref} is a live plan of this patient and pathway under another name"))
    return found
