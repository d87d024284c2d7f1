"""What belongs to the hospital stay, asked for after it: is the patient at home by now?"""

from __future__ import annotations

from datetime import date
from typing import Literal

from waykeeper.gaps.setting import Setting, happened_on
from waykeeper.plan.model import Plan, State
from waykeeper.timing.model import Anchor

Stay = Literal["", "-stay", "-home"]


def _discharge(setting: Setting) -> Anchor | None:
    anchor = setting.plan.anchor("discharge")
    return anchor if anchor is not None and anchor.moment is not None else None


def home_since(setting: Setting) -> date | None:
    """The day on which the patient went home, None where that is not recorded."""
    anchor = _discharge(setting)
    if anchor is None or anchor.moment is None:
        return None
    return happened_on(anchor, setting.state)


def is_after_discharge(due: date | None, setting: Setting) -> bool:
    """True for a day after that on which the patient goes home, as recorded or planned; after surgery without one."""
    anchor, surgery = _discharge(setting), setting.surgery
    last = anchor.moment.day if anchor is not None and anchor.moment is not None else surgery
    return due is not None and last is not None and due > last


def after_stay(due: date | None, setting: Setting) -> Stay:
    """Whether a thing was due between surgery and discharge and that is over, as `stay_over` tells it."""
    return stay_over(due, setting.plan, setting.state, setting.as_of)


def stay_over(due: date | None, plan: Plan, state: State, as_of: date) -> Stay:
    """Whether a thing was due between surgery and discharge and that is over: `-home` where discharge is recorded.

    `-stay` where it is not: then nobody knows whether the patient still lies in the ward.
    """
    anchor, surgery = plan.anchor("discharge"), plan.surgery_day
    if due is None or surgery is None or anchor is None or anchor.moment is None:
        return ""
    if not surgery < due <= anchor.moment.day < as_of:
        return ""
    return "-home" if happened_on(anchor, state) is not None else "-stay"
