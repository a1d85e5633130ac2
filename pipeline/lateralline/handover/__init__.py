"""Handing a record over in a register's own names, and reading the register's lines by them."""

from lateralline.handover.loaded import LoadedProfile, load_profile, profile_text, shipped
from lateralline.handover.profile import Profile
from lateralline.handover.register import read_register

__all__ = [
    "LoadedProfile",
    "Profile",
    "load_profile",
    "profile_text",
    "read_register",
    "shipped",
]
