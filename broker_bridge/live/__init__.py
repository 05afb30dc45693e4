"""What is going on in a plant just now, folded from events and states: pure, the time is an argument.

told        an event cut down to what a person watching needs
words       the sentences, one for every type
names       how boards are called and recognised
newest      the newest few statements of one kind, whatever order and how often they came
holds       which statements still hold
seen        which events came before
passages    who is at a station, who was there last
alarms      which alarms stand, which were not seen yet
station     one station
waiting     why a station waits, in one sentence
hearing     who is gone or in trouble: broker, edges, records, sources
picture     the fold: statements and states in, a view out
choice      filters
clock       times and ages as they are read
plain       texts made fit for a terminal
"""
