"""The simulated shelf: a set of simulated disks behind the same ports as real ones.

kinds     kinds of drives: levels of power saving, and quirks, as rows
drive     one drive and the kernel's counters in front of it
answers   what a drive replies: command bytes in, a completion out, by the codec
rack      drives behind the ports, and what really happened to them
workload  the scenario as tables: an observatory's photo archive
faults    what can go wrong, to order by name
arrivals  the tables drawn: a function of seed, disk and hour
shelf     the scenario's drives in a rack: `SimulatedShelf`
clocks    scaled and stepped time
"""
