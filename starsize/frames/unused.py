"""What is lost when files cannot be used: whole filters, and single frames."""

import re
from collections.abc import Iterable, Mapping
from typing import Final

from ..estimate import Notice
from ..filters import filter_order
from .frame import SINGLE, InputFile
from .header import has_frame_ending

#: So many reasons are told one by one.
_MOST: Final = 4


def lost_filters(files: Iterable[InputFile]) -> Mapping[str, str]:
    """Find the filters of which no frame can be used.

    By name, in the order people list them, why in one sentence.
    """
    files = tuple(files)
    used = {file.facts.filter for file in files if file.usable and file.facts}
    lost: dict[str, list[str]] = {}
    for file in files:
        name = file.facts.filter if file.facts else None
        if name and name not in used and file.reason != SINGLE and _is_lost_frame(file):
            lost.setdefault(name, []).append(file.reason or "")
    return {name: _why(lost[name]) for name in sorted(lost, key=filter_order)}


def unused_notices(files: Iterable[InputFile]) -> tuple[Notice, ...]:
    """Tell of frames that cannot be used, beside those of a filter that is lost as a whole.

    Calibration frames, copies and files of other kinds were not meant to be measured: they have a
    reason in the list of files, but no notice.

    ``frames_not_used``, one for each reason, that of the most frames first.
    """
    files = tuple(files)
    told = lost_filters(files)
    groups: dict[str, list[InputFile]] = {}
    for file in files:
        if _is_lost_frame(file) and not (file.facts and file.facts.filter in told):
            # Numbers (of bytes, say) differ from file to file where the reason is the same.
            groups.setdefault(re.sub(r"\d+", "#", file.reason or ""), []).append(file)
    largest = sorted(groups.values(), key=len, reverse=True)
    notices = [Notice("frames_not_used", _group_text(group)) for group in largest[:_MOST]]
    if rest := sum(len(group) for group in largest[_MOST:]):
        text = f"{rest} more cannot be used for other reasons; frames.csv says why for each."
        notices.append(Notice("frames_not_used", text))
    return tuple(notices)


def _group_text(group: list[InputFile]) -> str:
    first = f"{group[0].path.name}: {group[0].reason}"
    if len(group) == 1:
        return f"One frame cannot be used: {first}."
    return f"{len(group)} frames cannot be used, such as {first}."


def _is_lost_frame(file: InputFile) -> bool:
    if file.reason is None or file.reason.endswith("counted once"):
        return False
    if file.facts is None:
        return has_frame_ending(file.path)
    return file.facts.kind == "light"


def _why(reasons: list[str]) -> str:
    usual = max(sorted(set(reasons)), key=reasons.count)
    if len(reasons) == 1:
        return f"the only frame cannot be used: {usual}"
    return f"none of the {len(reasons)} frames can be used: {usual}"
