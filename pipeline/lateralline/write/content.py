"""All that one site puts into a record, made without touching a file of the record.

Whoever has a site's products can make it: this process, another, another machine. What it takes
from the sites before is in its target, so that one writer can tell whether it still holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pyarrow as pa

from lateralline import contract
from lateralline.acceptance import accepted, unmatched
from lateralline.contract import Column
from lateralline.findings import Finding
from lateralline.frames import Frame
from lateralline.record import layers
from lateralline.record.assets import with_register
from lateralline.records import FieldRecord, Product
from lateralline.write.formats import PHOTOS
from lateralline.write.geojson import Features, features_of
from lateralline.write.manifest import site_account
from lateralline.write.photo_copies import PictureCopy, with_copies
from lateralline.write.target import SiteTarget, Target


@dataclass(frozen=True, slots=True)
class SiteContent:
    """What one site puts into a record."""

    site_id: str
    target: SiteTarget
    findings: tuple[Finding, ...]  # what writing found
    tables: Mapping[str, pa.Table]  # every layer
    features: Mapping[str, Features] | None  # the same as GeoJSON; None where there is none
    account: str  # what the manifest says
    copies: tuple[PictureCopy, ...] = ()  # pictures to take along


@dataclass(frozen=True, slots=True)
class Desk:
    """Where the sites of a batch are made ready; the same for all of them."""

    formats: tuple[str, ...] = ()  # those of `formats.ALSO` that are asked for
    assets: tuple[Column, ...] | None = None  # the register's columns of the batch; None: ours

    def content(
        self,
        record: FieldRecord,
        frame: Frame,
        products: tuple[Product, ...],
        target: Target,
    ) -> SiteContent:
        """Return what a site puts into a record that stands as `target` says.

        Raises ContractError for products that break the contract, FrameError for a site that
        cannot share the batch's CRS, ReadBackError for a feature that breaks its schema.
        """
        columns = contract.own_assets() if self.assets is None else self.assets
        with contract.with_assets(columns):
            site = target.site(frame)
            findings = _answered(record, products, site.findings)
            products = layers.with_findings(products, record.settings.id, findings)
            products = layers.with_cautions(products)
            products = with_register(products, record)
            copies: tuple[PictureCopy, ...] = ()
            if PHOTOS in self.formats:
                products, copies = with_copies(products, record)
            tables = layers.to_tables(products, record, frame, site.crs)
            lonlat = (
                layers.to_lonlat(tables, products, frame, site.crs) if site.in_geojson else None
            )
            counts = {name: t.num_rows for name, t in tables.items()}
            return SiteContent(
                site_id=record.settings.id,
                target=site,
                findings=findings,
                tables=tables,
                features=None if lonlat is None else features_of(lonlat),
                account=site_account(record, frame, site.crs, counts, in_geojson=site.in_geojson),
                copies=copies,
            )


def _answered(
    record: FieldRecord, products: tuple[Product, ...], findings: tuple[Finding, ...]
) -> tuple[Finding, ...]:
    """Return what writing found with who accepted it, and acceptances that hold for nothing."""
    (layer,) = (p.columns for p in products if p.layer == "findings")
    answered = record.settings.accepted
    known = [(f.code, f.subject, f.causes) for f in findings if answered]
    rows = zip(*(layer[c] for c in ("code", "subject", "cause", "accepted_by")), strict=True)
    for code, subject, cause, by in rows:
        # what stands there as accepted was so by a cause that it may have had before
        own = {a.cause for a in answered if (a.code, a.subject, a.by) == (code, subject, by)}
        known.append((str(code), str(subject), frozenset((*own, str(cause)))))
    return accepted((*findings, *unmatched(known, answered, writing=True)), answered)
