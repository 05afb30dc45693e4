"""A board's report: one file that can be printed, kept and checked, as HTML and as PDF.

content   what stands in it
page      that as HTML
paper     that as PDF

The same record as of the same commit gives the same bytes: nothing in it depends on who asks, or when.
"""
