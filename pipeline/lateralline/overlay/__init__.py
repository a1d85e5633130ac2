"""What lies over built records: dig zones by any rule, and planned works against the pipes.

Reads built layers alone, never field records, and any number of sites at once. All is computed in
metres on the ground, a small region at a time, whatever CRS the layers are in.
"""
