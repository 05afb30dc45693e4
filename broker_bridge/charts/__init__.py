"""Pictures of plots: for a terminal, and as SVG. A plot comes in, text goes out; nothing is read or written here.

What a rule hits is told by the shape of its mark and by a word; colour only repeats it.

    terminal  lines of text
    svg       a static picture, the same bytes for the same plot; needs the extra `charts`
"""
