"""Declarations of every input table and output layer, as TOML; read by `lateralline.contract`."""
