"""How files of the user's are treated by every command that writes: the one owner of that policy.

**Whole or not at all.** What is written grows in a hidden part folder beside its target and is
put in place, flushed to the disk, once all of it is there (`whole_folder`, `whole_file`). Where the
system can exchange two names in one step, an older output is exchanged, so it is never absent;
elsewhere it steps aside and comes back should the second step fail. Several targets written in one
`together` block are put in place together, and taken back together.

**Only what was written here is replaced.** `--replace` wants proof: a `manifest.json` in a folder,
a stamp in a file's own metadata, of the kind the command writes (`proof`). Anything else is refused
by name, before anything is computed.

**Nothing of the user's is lost or moved.** What was added to an output folder keeps its name in
the new one. What was changed since it was written is kept beside the new one as `NAME.kept-1`, and
reported. Change is judged by content: of a GeoPackage by its tables, not by the bytes SQLite chose.

**What is added to a file of the user's** (`accept`, the ids of a site) stands in a copy of it that
takes its name in one step, and only while the file still is what was read (`rewrite`).

**Links stay links.** A linked target is followed, and what it leads to is treated by these rules;
a link that leads nowhere is a fault.

**Interrupted runs.** A part folder holds a lock while its process lives. The next run for the same
target takes away what a dead one left, ends what it had begun to exchange together, and leaves a
living one alone. A command that refuses at once (`refuse_target`), or finds that it has nothing to
add to a file of the user's (`recover`), is that next run too.

**A seal goes with what it sealed** (`sealed`): a folder that was signed and is replaced loses its
seal, and that is told.
"""

from lateralline.output.proof import figure_metadata, stamp
from lateralline.output.whole import (
    recover,
    refuse_target,
    refuse_targets,
    rewrite,
    together,
    whole_file,
    whole_folder,
)

__all__ = [
    "figure_metadata",
    "recover",
    "refuse_target",
    "refuse_targets",
    "rewrite",
    "stamp",
    "together",
    "whole_file",
    "whole_folder",
]
