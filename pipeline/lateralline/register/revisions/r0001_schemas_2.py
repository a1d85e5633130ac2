"""Version 2 of the schemas, as registers were first made: whole, from the declaration.

A revision after this one says what a comparison of two declarations cannot: that a column has
another name now, was parted or converted. New columns, layers, keys and values need none.
"""

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Nothing: `register.prepare` makes a new register whole, and marks it with the last one."""
