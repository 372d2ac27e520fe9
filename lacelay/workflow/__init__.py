"""The verbs: what the command line and any page call, and nothing else of ours.

Each verb takes paths and plain wishes, does its reading and writing at the rim, and returns
values. `progress` is told what is being done and the share done, 0 to 1.
"""

from lacelay.workflow.edges import EdgeRequest, find_edge
from lacelay.workflow.hands import Asked, Changed, Held, asked_of, landed, open_hand, take_hold
from lacelay.workflow.laying import SHOP_INCREMENT_MM, Laid, check, lay, lay_three, sheet
from lacelay.workflow.photos import LaceRead, open_lace, read, read_joined, render, save_picture
from lacelay.workflow.printing import target_sheet
from lacelay.workflow.progress import Progress
from lacelay.workflow.words import (
    adjusted,
    read_marks,
    read_scale,
    read_share,
    read_tape,
    wishes,
)

__all__ = [
    "SHOP_INCREMENT_MM",
    "Asked",
    "Changed",
    "EdgeRequest",
    "Held",
    "LaceRead",
    "Laid",
    "Progress",
    "adjusted",
    "asked_of",
    "check",
    "find_edge",
    "landed",
    "lay",
    "lay_three",
    "open_hand",
    "open_lace",
    "read",
    "read_joined",
    "read_marks",
    "read_scale",
    "read_share",
    "read_tape",
    "render",
    "save_picture",
    "sheet",
    "take_hold",
    "target_sheet",
    "wishes",
]
