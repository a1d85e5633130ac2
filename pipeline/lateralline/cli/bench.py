"""`lateralline bench`: stops per second, side by side with a loop over a general optimiser."""

from __future__ import annotations

from typing import Annotated

import typer


def bench(
    seed: Annotated[int, typer.Option(min=0, help="Seed of the simulated stops.")] = 1,
    register: Annotated[
        int, typer.Option(min=0, help="Time the match of so many lines against as many instead.")
    ] = 0,
) -> None:
    """Compare the batched solver with a loop over scipy's own.

    The same stops, residuals, weights and analytic Jacobian; the loop runs on one thread, the
    batch on one and on all. Figures are ratios on this machine at this time; the peak memory is
    that of the whole process so far, and apart is how far the two solutions lie from each other.

    With --register it is the CPU of holding lines against those of a register, in memory.

    \b
    Example:
      lateralline bench
      lateralline bench --register 10000
    """
    from lateralline.api.evidence import register_speed, speed

    if register:
        cpu_s = register_speed(register, seed)
        typer.echo(f"{register} lines against {register}: {cpu_s:.1f} s of CPU")
        return
    typer.echo(speed(seed))
