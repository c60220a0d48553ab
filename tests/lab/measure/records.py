"""How the store and the desk do with many visits: import rate, bytes a visit, lists, commands, pages, live lines, a
pulled network; times, processor time and memory.

    python -m tests.lab.measure.records --visits 100000 --store /tmp/bench.sqlite
    python -m tests.lab.measure.records --visits 100000 --postgres

A store that is there already is filled up to the number asked for. Prints a
line for each figure; wall times depend on what else the machine does, so the
server's own processor time stands beside them.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

import httpx

from assistant.desk.send import Post, Sender
from assistant.records.backup import backup
from assistant.records.forgetting import forget, scrub
from assistant.records.importing import import_journals
from assistant.records.queries import listed
from assistant.records.store import open_store
from assistant.visit.journal import read
from tests.desk.conftest import Network, eventually
from tests.lab.invented.visits import invented_visits, write_journal
from tests.lab.measure.records_asked import commands, fill, peak_megabytes, percentile, questions
from tests.records.postgres import server

TICK = os.sysconf("SC_CLK_TCK")


def importing(folder: Path, number: int, url: str) -> None:
    """From journals on disk into an empty store, then the same again."""
    sizes = [write_journal(folder / "visits", events).stat().st_size for events in invented_visits(number, seed=99)]
    with open_store(url) as store:
        for words in ("new", "known already"):
            wall, processor = time.perf_counter(), time.process_time()
            done = import_journals(store, [folder / "visits"])
            wall, processor = time.perf_counter() - wall, time.process_time() - processor
            assert len(done.new if words == "new" else done.same) == number
            print(
                f"import from disk, {words:13}: {number / wall:7.0f} visits/s ({number / processor:.0f} a second of"
                " processor time)"
            )
    print(f"journal on disk: {statistics.mean(sizes) / 1000:.1f} kB a visit")


def forgetting(url: str, folder: Path) -> None:
    """A backup of it all, and ten visits forgotten for good."""
    with open_store(url) as store:
        begun = time.perf_counter()
        count = backup(store, folder / "backup.gz")
        print(
            f"backup: {count} copies in {time.perf_counter() - begun:.0f} s,"
            f" {(folder / 'backup.gz').stat().st_size / 1e6:.0f} MB"
        )
        names = [row["id"] for row in listed(store, limit=10)]
        begun = time.perf_counter()
        gone = forget(store, names)
        deleted = time.perf_counter()
        scrub(store)
        print(
            f"forget: {gone} visits in {deleted - begun:.2f} s, the database's files written anew in"
            f" {time.perf_counter() - deleted:.1f} s"
        )


def most_memory(pid: int) -> float:
    """Megabytes that a process has held at most."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) / 1000


def processor_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def pages(url: str, folder: Path, rounds: int) -> None:
    """Every page with changing filters, one request after another, through a real server."""
    chance = random.Random(5)
    with open_store(url) as store:
        rows = listed(store, limit=2000)
    people, sites = sorted({row["technician"] for row in rows}), sorted({row["site"] for row in rows})

    def filters() -> str:
        pick = chance.choice(["family", "fault", "technician", "outcome", "site", "text", "span", "two"])
        month = f"20{chance.randint(21, 25)}-{chance.randint(1, 12):02d}-01"
        return urlencode(
            {
                "family": {"family": chance.choice(["larkspur", "foxglove", "yarrow"])},
                "fault": {"fault": chance.choice(["rod_coated", "none", "board_not_sensing"])},
                "technician": {"technician": chance.choice(people)},
                "outcome": {"outcome": chance.choice(["pass", "fail", "close"])},
                "site": {"site": chance.choice(sites)},
                "text": {"text": chance.choice(["ferry", "no such words", "swapped", "ada"])},
                "span": {"since": month},
                "two": {"family": "yarrow", "outcome": "close", "technician": chance.choice(people)},
            }[pick]
        )

    probes = itertools.cycle(
        [
            "rod_to_ground",
            "ground_path",
            "secondary_r_c",
            "line_to_r",
            "supply_hot_neutral",
            "supply_hot_ground",
            "supply_neutral_ground",
            "leads_together",
            "dead_hot_neutral",
            "dead_hot_ground",
        ]
    )
    kinds = {
        "/": lambda: "/",
        "/history": lambda: "/history",
        "/history with filters": lambda: f"/history?{filters()}",
        "/visit": lambda: f"/visit/{chance.choice(rows)['id']}",
        "/faults": lambda: "/faults",
        "/faults in a span": lambda: f"/faults?since=20{chance.randint(21, 25)}-01-01",
        "/boards": lambda: "/boards",
        "/drift": lambda: "/drift",
        "/drift of another probe": lambda: f"/drift?probe={next(probes)}",
        "/boards in a span": lambda: (
            f"/boards?since=20{chance.randint(21, 25)}-{chance.randint(1, 12):02d}-{chance.randint(1, 28):02d}"
        ),
        "/progress": lambda: "/progress",
        "report.html": lambda: f"/visit/{chance.choice(rows)['id']}/report.html",
        "report.pdf": lambda: f"/visit/{chance.choice(rows)['id']}/report.pdf",
    }
    command = [
        sys.executable,
        "-m",
        "assistant",
        "desk",
        "--port",
        "0",
        "--store",
        url,
        "--visits",
        str(folder / "none"),
        "--received",
        str(folder / "received"),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        address, token = server.stdout.readline().split()[1].split("/#token=")
        with httpx.Client(base_url=address, timeout=60) as client:
            assert client.post("/session", data={"token": token}).status_code == 303
            everything = []
            for name, path in kinds.items():
                begun = time.perf_counter()
                client.get(path())
                first = 1000 * (time.perf_counter() - begun)
                times, used = [], processor_seconds(server.pid)
                count = rounds if name != "report.pdf" else max(3, rounds // 8)
                for _ in range(count):
                    begun = time.perf_counter()
                    assert client.get(path()).status_code == 200
                    times.append(1000 * (time.perf_counter() - begun))
                used = 1000 * (processor_seconds(server.pid) - used) / count
                if not name.startswith("report"):
                    everything += times
                print(
                    f"{name:24} p50 {percentile(times, 0.5):6.0f} ms   p95 {percentile(times, 0.95):6.0f} ms   most"
                    f" {max(times):6.0f} ms   processor {used:5.0f} ms a request   first {first:6.0f} ms"
                )
            print(
                f"{'all pages':24} p50 {percentile(everything, 0.5):6.0f} ms   p95 {percentile(everything, 0.95):6.0f}"
                " ms   (reports, which are made anew for each request, left out); the desk's memory at most"
                f" {most_memory(server.pid):.0f} MB"
            )
        server.terminate()


def live_and_network(url: str, folder: Path) -> None:
    """A line from the journal to a listening client; and a visit sent through a network that is pulled ten times."""
    visits = folder / "live"
    visits.mkdir()
    command = [
        sys.executable,
        "-m",
        "assistant",
        "desk",
        "--port",
        "0",
        "--store",
        url,
        "--visits",
        str(visits),
        "--received",
        str(folder / "got"),
    ]
    events = next(iter(invented_visits(1, seed=3)))
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        address, token = server.stdout.readline().split()[1].split("/#token=")
        send = server.stdout.readline().split("=")[1].strip()
        seen: dict[str, float] = {}

        def listen() -> None:
            # The server closes the stream when the bench is over.
            with (
                contextlib.suppress(httpx.RemoteProtocolError),
                httpx.stream(
                    "GET", f"{address}/api/live", headers={"Authorization": f"Bearer {token}"}, timeout=60
                ) as stream,
            ):
                for line in stream.iter_lines():
                    if line.startswith("data: "):
                        message = json.loads(line[6:])
                        for event in message.get("events", []):
                            seen.setdefault(f"{message['key']} {event['seq']}", time.perf_counter())

        threading.Thread(target=listen, daemon=True).start()
        time.sleep(1)
        written = {}
        name = events[0]["visit"]
        (visits / name).mkdir()
        with (visits / name / "journal.jsonl").open("a") as file:
            for event in [one for one in events if one["kind"] in ("visit", "said")][:60]:
                file.write(json.dumps(event) + "\n")
                file.flush()
                written[f"here/{name} {event['seq']}"] = time.perf_counter()
                time.sleep(0.1)
        eventually(lambda: written.keys() <= seen.keys())
        late = [1000 * (seen[key] - at) for key, at in written.items()]
        print(
            f"a line from the journal to a browser's stream: p50 {percentile(late, 0.5):.0f} ms, p95"
            f" {percentile(late, 0.95):.0f} ms, most {max(late):.0f} ms of {len(late)} lines"
        )
        network = Network(int(address.rsplit(":", 1)[1]))
        other = folder / "van" / "pulled"
        events = [{**events[0], "visit": "pulled"}, *events[1:]]
        write_journal(folder / "van", events[:1])
        sender = Sender(other, Post(network.url, send), "m-bench")
        sender.start()
        step, longest = len(events) // 11 + 1, 0.0
        for begin in range(1, len(events), step):
            with (other / "journal.jsonl").open("a") as file:
                file.writelines(json.dumps(event) + "\n" for event in events[begin : begin + step])
            if network.pulled < 10:
                network.deaf = network.pulled % 2 == 0
                time.sleep(0.3)
                network.pull()
                network.deaf = False
                time.sleep(1.0)
                network.plug()
                begun = time.perf_counter()
                eventually(lambda: sender.waiting() == 0, 60)
                longest = max(longest, time.perf_counter() - begun)
        left = sender.stop(60)
        got = read(folder / "got" / "m-bench" / "pulled")[0]
        shown = [key for key in seen if key.startswith("m-bench/pulled ")]
        print(
            f"network pulled {network.pulled} times: {len(events)} lines written, {len(got)} at the desk, the same:"
            f" {got == events}, left: {left}; {len(shown)} shown live; longest catching up {longest:.1f} s"
        )
        network.close()
        server.terminate()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--visits", type=int, default=100_000)
    parser.add_argument("--store", help="a SQLite file or PostgreSQL URL to keep; a temporary one when left out")
    parser.add_argument(
        "--postgres", action="store_true", help="a PostgreSQL server of its own, which is thrown away afterwards"
    )
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument(
        "--import", dest="import_", type=int, default=2000, help="how many journals to import from disk"
    )
    parser.add_argument("--verify", action="store_true", help="verify every visit, too")
    given = parser.parse_args()
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} when it began")
        url = given.store or str(folder / "many.sqlite")
        if given.postgres:
            # As it ships: what was stored is on disk when the import says so.
            url = stack.enter_context(server(settings="-c shared_buffers=512MB"))
        print("PostgreSQL" if url.startswith("postgresql") else "SQLite")
        importing(folder, given.import_, url if given.postgres else str(folder / "import.sqlite"))
        fill(url, given.visits)
        questions(url, given.rounds)
        forgetting(url, folder)
        pages(url, folder, given.rounds)
        commands(url, folder, own=given.store is None, whole=given.verify)
        live_and_network(str(folder / "small.sqlite"), folder)
        print(f"the bench's own memory at most {peak_megabytes():.0f} MB")


if __name__ == "__main__":
    main()
