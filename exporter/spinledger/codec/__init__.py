"""Bytes of open standards, both directions: pure functions, no I/O, no clock.

One table a subject drives decoding, encoding (for simulated drives) and the tests. Whatever is
truncated, reserved or contradictory is `errors.Undecodable` with a reason, never a state and never
another exception. A mistake of our own code is `errors.Misuse`.

Sources. The texts of the standards (ACS-3, SAT-3, SPC-4, SBC-3, SAM-5, MMC-6) were not at hand:
whatever is cited by one of these names alone, clause numbers included, is from memory. What was
read restates them: specifications and manuals of drives, and kernel source. Those are cited beside
it, by title and page, table or line.

    octets    how bytes are written as text
    sense     the envelope: fixed and descriptor sense data (SPC-4)
    ata       CHECK POWER MODE's COUNT, and the ATA status register (ACS-3)
    sat       pass-through command blocks and the ATA status return (SAT-3)
    scsi      REQUEST SENSE and the 5Eh power conditions (SPC-4)
    commands  the closed table of what may be sent to a drive
    reply     a completed command -> the state that the drive reports
    explain   hexadecimal text -> the same, for a person
    identify  IDENTIFY DEVICE words, wherever the kernel cached them
    vpd       vital product data pages the kernel cached
    timers    standby timer codes and APM bands
    logs      SMART attributes; the Start-Stop Cycle Counter and transitions log pages
    pages     LOG SENSE and MODE SENSE command blocks (SPC-4)
    modes     the Power Condition mode page
    statistics  Device Statistics and Power Conditions logs (ACS-3)
    packings  what the raw values of a few SMART attributes mean
    counters  which commands read a drive's counters, and what their replies say

Imports nothing of the program but `model` and `errors`.
"""
