"""A simulated shelf of disks behind the same ports as the real one.

kinds     kinds of drives: a ladder of rests, and quirks, as rows
drive     one drive and the kernel's counters in front of it
answers   what a drive answers: command bytes in, a completion out, by the codec
rack      drives behind the ports, and the truth about them
load      the scenario as tables: an observatory's photo archive
faults    what can go wrong, to order by name
arrivals  the tables drawn: a function of seed, disk and hour
shelf     the scenario's drives in a rack: `SimulatedShelf`
clocks    scaled and stepped time
"""
