"""Tie cards: a spot on the pipe, and the tapes that find it again long after the paint is gone.

spots   → nodes, observations, and any chainage of a line, on the ground
points  → what tapes may be hooked to: the survey's control, and more from a file
tapes   → two tapes and a check for each spot, and what a card says
layer   → the tapes as lines of a GeoPackage or GeoJSON; measure → lengths in the reader's unit

Tapes are stretched on the ground, so all of it works in ground metres (`record.ground`).
"""
