"""The stations of the invented line, in the order in which a panel meets them.

LOAD     loader and marker: takes bare panels from a magazine and engraves their codes
PRINT    paste printer
SPI      paste inspection
JET      jet top-up: adds paste where the inspection found too little
PLACE1   placement of small parts
PLACE2   placement of large and fine-pitch parts
OVEN     reflow oven, preceded by an entrance that admits a panel only if it can leave again
AOI      optical inspection, then an unloader into magazines
REVIEW   review desks and rework bench, off the line
TEST     electrical test, board by board, off the line
"""

SITE, AREA, LINE = "harbour-works", "smt", "line-1"

STATIONS = ("LOAD", "PRINT", "SPI", "JET", "PLACE1", "PLACE2", "OVEN", "AOI", "REVIEW", "TEST")

READERS = ("LOAD", "PRINT", "SPI", "PLACE1", "AOI", "REVIEW", "TEST")
"""Stations with a code reader of their own; the others know a code only if it is passed on to them."""

TYPED_BY_HAND = ("REVIEW", "TEST")
"""Where a person types a code that the reader could not read."""

LANE = 1
