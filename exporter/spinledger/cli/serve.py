"""`spinledger serve`: the exporter."""

from __future__ import annotations

import argparse
from pathlib import Path

from spinledger.app.publishers import TEXTFILE
from spinledger.app.serving import Serving, serve
from spinledger.cli.arguments import add_config, address, positive, seconds
from spinledger.errors import BadInput
from spinledger.store.plain import refuse_disk


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    add_config(parser)
    parser.add_argument("--listen", type=address, metavar="HOST:PORT", help="where to serve")
    parser.add_argument("--ledger", metavar="FILE", default="", help="ledger file, or `memory`")
    parser.add_argument(
        "--textfile", type=Path, metavar="DIR", help="also write DIR/spinledger.prom"
    )
    parser.add_argument(
        "--for", dest="for_s", type=seconds, metavar="DURATION", help="stop after this real time"
    )
    parser.add_argument(
        "--prober", metavar="SOCKET", help="socket of a prober that runs as a service of its own"
    )
    parser.add_argument(
        "--shelf",
        choices=("real", "simulated"),
        default="real",
        help="which disks to watch: this machine's (real), or simulated ones",
    )
    simulated = parser.add_argument_group(
        "with --shelf simulated", "Simulated disks are configured by --config alone."
    )
    simulated.add_argument(
        "--speed", type=positive, metavar="X", help="how many times faster than real time"
    )
    simulated.add_argument(
        "--disks", type=int, metavar="N", help="how many; default: those of the ledger, else 8"
    )
    simulated.add_argument("--seed", type=int, metavar="N", help="random seed")
    simulated.add_argument(
        "--fault", action="append", metavar="NAME[@FROM[/UNTIL]]", help="simulate this fault"
    )
    simulated.add_argument(
        "--now", action="store_true", default=None, help="begin now, not last evening at 21:00"
    )
    simulated.add_argument(
        "--zone", metavar="ZONE", help="time zone of the simulation; default: this host's"
    )


def run(arguments: argparse.Namespace) -> int:
    """Serve until a signal."""
    simulated = arguments.shelf == "simulated"
    for name in ("speed", "seed", "disks", "fault", "zone", "now"):
        if getattr(arguments, name) is not None and not simulated:
            raise BadInput(
                f"--{name}", "is for simulated disks alone", "add --shelf simulated or remove it"
            )
    if arguments.prober and simulated:
        raise BadInput("--prober", "is for real disks alone", "remove it")
    if arguments.textfile is not None:
        if not arguments.textfile.is_dir():
            raise BadInput(
                f"--textfile {arguments.textfile}", "is not a folder", "create it or name another"
            )
        refuse_disk("--textfile", arguments.textfile / TEXTFILE)
    if arguments.disks is not None and not 1 <= arguments.disks <= 200:
        raise BadInput(f"--disks {arguments.disks}", "is not 1 to 200", "give a number in between")
    return serve(
        Serving(
            config=arguments.config,
            listen=arguments.listen,
            simulated=simulated,
            speed=arguments.speed or 1.0,
            seed=1 if arguments.seed is None else arguments.seed,
            disks=arguments.disks,
            faults=tuple(arguments.fault or ()),
            zone=arguments.zone or "",
            at_present=bool(arguments.now),
            for_s=arguments.for_s,
            ledger=arguments.ledger,
            textfile=arguments.textfile,
            prober=arguments.prober or "",
        )
    )
