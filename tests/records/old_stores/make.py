"""Makes shape_0001.sqlite, a store as the first shape left it. Run once; the file is committed and never made again.

python tests/records/old_stores/make.py
"""

from __future__ import annotations

import copy
from pathlib import Path

from sqlalchemy import MetaData, insert

from assistant.records.derive import derive
from assistant.records.packing import canonical, digest, pack
from assistant.records.store import Store, _engine, _target, upgrade
from tests.lab.invented.visits import invented_visits

HERE = Path(__file__).parent


def main() -> None:
    path = HERE / "shape_0001.sqlite"
    path.unlink(missing_ok=True)
    store = Store(_engine(_target(str(path))))
    upgrade(store, "0001")
    with store.writing() as connection:
        old = MetaData()
        old.reflect(connection)
        tables = old.tables
        for key, events in enumerate(invented_visits(6, seed=21), start=1):
            versions = [events]
            if key == 3:
                other = copy.deepcopy(events)
                other[0]["site"] = "a site that somebody edited"
                versions.append(other)
            row = derive(events)
            kept = {name: value for name, value in row.visit.items() if name in tables["visits"].c}
            connection.execute(
                insert(tables["visits"]).values(
                    key=key, id=events[0]["visit"], copies=len(versions), shown=None, **kept
                )
            )
            for number, version in enumerate(versions):
                body = canonical(version)
                made = connection.execute(
                    insert(tables["copies"]).values(
                        visit=key,
                        digest=digest(body),
                        origin=f"machine {number}",
                        imported_at=1_700_000_000_000,
                        events=len(version),
                        torn=False,
                        body=pack(body),
                    )
                )
                if number == 0:
                    connection.execute(
                        tables["visits"]
                        .update()
                        .where(tables["visits"].c.key == key)
                        .values(shown=made.inserted_primary_key[0])
                    )
            for name, rows in (("readings", row.readings), ("verdicts", row.verdicts)):
                for one in rows:
                    connection.execute(
                        insert(tables[name]).values(
                            visit=key, **{field: value for field, value in one.items() if field in tables[name].c}
                        )
                    )
    with store.reading() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()


if __name__ == "__main__":
    main()
