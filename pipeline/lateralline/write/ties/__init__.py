"""Tie cards: a spot on the pipe, and the tapes that find it again long after the paint is gone."""

from lateralline.write.ties.cards import PAPERS, draw_cards
from lateralline.write.ties.ground import Ground
from lateralline.write.ties.layer import SUFFIXES as LAYER_SUFFIXES
from lateralline.write.ties.layer import write_layer
from lateralline.write.ties.measure import UNITS, Measure
from lateralline.write.ties.points import Points, control_of, with_more
from lateralline.write.ties.spots import Asked, Spot, spots_of
from lateralline.write.ties.tied import Card, Limits, tie
from lateralline.write.ties.words import card_lines, untied_lines

__all__ = [
    "LAYER_SUFFIXES",
    "PAPERS",
    "UNITS",
    "Asked",
    "Card",
    "Ground",
    "Limits",
    "Measure",
    "Points",
    "Spot",
    "card_lines",
    "control_of",
    "draw_cards",
    "spots_of",
    "tie",
    "untied_lines",
    "with_more",
    "write_layer",
]
