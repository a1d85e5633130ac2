"""Pictures of a site on its page: small copies inside the one file, each with what it shows."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Final

from lateralline.record.rows import PictureRow
from lateralline.record.view import RecordView

#: Pictures on one page: with the most that a small copy may weigh, some 9 MB.
MOST: Final = 100


@dataclass(frozen=True, slots=True)
class PagePhoto:
    """One picture: as a data URI, what it shows, and the row of a table that this is."""

    source: str
    row: PictureRow
    kind: str = ""  # of `places`; "" = it shows nothing that can be picked
    index: int = -1


def page_photos(view: RecordView) -> list[PagePhoto]:
    """Return the first pictures of a site, at most `MOST`, in the order of the layer."""
    picked = _picked(view)
    return [
        PagePhoto(
            f"data:{row.content_type};base64,{base64.b64encode(row.data).decode()}",
            row,
            *picked.get(row.shows, picked.get(row.related_uid, ("", -1))),
        )
        for row in view.photos[:MOST]
    ]


def _picked(view: RecordView) -> dict[str, tuple[str, int]]:
    """Return kind and index of each place that can be picked, by its subject or its uid."""
    nodes = view.layers["pipe_nodes"]
    uid_of = dict(zip(nodes["node_id"], nodes["uid"], strict=True)) if "uid" in nodes else {}
    found = {f"stop {row.name}": ("stops", i) for i, row in enumerate(view.fixes)}
    seen = enumerate(view.observations)
    found |= {f"observation {row.observation_id}": ("seen", i) for i, row in seen}
    for i, row in enumerate(view.line_nodes):
        found.setdefault(str(uid_of.get(row.node_id)), ("nodes", i))
    return found
