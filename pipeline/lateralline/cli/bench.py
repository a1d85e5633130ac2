"""`lateralline bench`: stops per second, side by side with a loop over a general optimiser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.wording import counted


def bench(
    record: Annotated[
        Path | None, typer.Argument(help="A built record, for --publish.", show_default=False)
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the simulated stops.")] = 1,
    register: Annotated[
        int, typer.Option(min=0, help="Time the match of so many lines against as many instead.")
    ] = 0,
    publish: Annotated[
        str,
        typer.Option(
            metavar="URL", help="Time how RECORD is published, on the server of this database."
        ),
    ] = "",
) -> None:
    """Compare the batched solver with a loop over scipy's own.

    The same stops, residuals, weights and analytic Jacobian; the loop runs on one thread, the
    batch on one and on all. Figures are ratios on this machine at this time; the peak memory is
    that of the whole process so far, and apart is how far the two solutions lie from each other.

    With --register it is the CPU of holding lines against those of a register, in memory.

    With --publish it is rows a second of publishing RECORD, from the file to the last commit,
    beside plain COPY of the same rows from memory into the same tables, and into bare ones: the
    best of three runs each, in databases that are made for it on that server and dropped again.

    \b
    Example:
      lateralline bench
      lateralline bench --register 10000
      lateralline bench out --publish postgresql://owner@db/gis
    """
    from lateralline.api.evidence import publish_speed, register_speed, speed

    if (record is None) != (not publish):
        raise typer.BadParameter("a record and --publish go together")
    if record is not None:
        found = publish_speed(publish, record)
        typer.echo(
            f"{found.rows} rows of {counted(found.sites, 'site')}, a second:\n"
            f"  {found.published_per_s:9,.0f}  published, {found.ratio:.2f} of plain COPY\n"
            f"  {found.copied_per_s:9,.0f}  plain COPY into the same tables\n"
            f"  {found.bare_per_s:9,.0f}  plain COPY into bare tables\n"
            f"  {found.again_per_s:9,.0f}  published again, nothing new"
        )
        return
    if register:
        cpu_s = register_speed(register, seed)
        typer.echo(f"{register} lines against {register}: {cpu_s:.1f} s of CPU")
        return
    typer.echo(speed(seed))
