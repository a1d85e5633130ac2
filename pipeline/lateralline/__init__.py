"""Field marks over a buried drain in; an adjusted, honestly uncertain as-built record out."""

__version__ = "0.1.0"
