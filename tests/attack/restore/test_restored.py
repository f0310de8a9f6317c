"""What was given out before a restore opens, hits, repeats or wakes nothing after it.

A shop is backed up, goes on working and is lost. Whoever holds a link, an ETag, a place in the
feed, an idempotency key or a revoked key from then uses it on the restored shop.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs
from tests.desks import Clock, Counter, client_of, open_counter
from tests.web.calls.conftest import Staff
from tests.web.problem import sound_problem

from kitwright.app import make_app
from kitwright.desk_opening import make_owner_key, open_desk
from kitwright.keeping.closing import Ledger
from kitwright.keeping.generation import FolderOfAnother
from kitwright.keeping.record import Hand
from kitwright.mailing import StoredMails
from kitwright.posting import StoredOutbox
from kitwright.settings import Settings, built_in_catalog
from kitwright.store.backup import back_up
from kitwright.store.closings import LEDGER, encode_ledger, read_ledger
from kitwright.store.restore import restore
from kitwright.web.calls.erasure import redact
from kitwright.web.calls.service import Service

HOUR = timedelta(hours=1)


class World:
    """A shop, its backup, and what is restored from it; all by one clock."""

    def __init__(self, service: Service, place: Path) -> None:
        self.service = service
        self.place = place
        self.clock = Clock()
        self.key = ""
        self._number = 0

    @contextmanager
    def first(self) -> Iterator[Staff]:
        """Open the shop that will be lost."""
        with (
            open_counter(self.service, self.place / "shop") as counter,
            client_of(make_app(counter.desk), counter.key) as client,
        ):
            counter.clock.now = self.clock.now
            self.clock, self.key = counter.clock, counter.key
            yield Staff(counter, client)

    def back_up(self) -> Path:
        """Back the shop up now."""
        self.clock.now += HOUR
        backup = self.place / "backup.tar"
        back_up(self.place / "shop", backup, at=self.clock.now)
        self.clock.now += HOUR
        return backup

    def restored(self, *, with_ledger: bool = True) -> Path:
        """Restore the backup into a new folder, an hour later."""
        self._number += 1
        folder = self.place / f"new{self._number}"
        self.clock.now += HOUR
        given = None
        if with_ledger:
            # by the clock of the test
            saved = self.place / "saved.json"
            ledger: Ledger = read_ledger(self.place / "shop" / LEDGER)
            ledger = structs.replace(ledger, as_of=self.clock.now)
            saved.write_bytes(encode_ledger(ledger))
            given = saved, ledger
        restore(self.place / "backup.tar", folder, redact=redact, ledger=given, at=self.clock.now)
        self.clock.now += HOUR
        return folder

    @contextmanager
    def again(self, folder: Path, *, has_new_key: bool = False) -> Iterator[Staff]:
        """Open a restored shop, with the old owner's key or a new one."""
        settings = Settings(
            catalog=built_in_catalog(),
            data=folder,
            rate=0,
            public_url="https://quotes.shop.example",
        )
        desk, store = open_desk(self.service, settings, now=self.clock)
        key = self.key
        if has_new_key:
            record, key = make_owner_key(store, self.clock())
            desk.keyring.know(record)
        counter = Counter(desk, store, key, self.clock)
        try:
            with client_of(make_app(desk), key) as client:
                staff = Staff(counter, client)
                # not those of the lost shop, which counted from 1
                staff._keys = iter(range(1000, 9999))  # type: ignore[assignment]
                yield staff
        finally:
            store.close()


@pytest.fixture
def world(service: Service, tmp_path: Path) -> World:
    return World(service, tmp_path)


def released(staff: Staff, **members: Any) -> dict[str, Any]:
    answer: dict[str, Any] = staff.done("/v1/release", {"mail": "drop", **members}).json()
    return answer


def revised(staff: Staff, id: str, complaint: str) -> None:  # noqa: A002
    """Issue another revision of a quote, which differs by its complaint."""
    asked = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5", "complaint": complaint}
    staff.act(id, "revise", {**asked, "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]})
    staff.act(id, "issue")


def by_link(staff: Staff, path: str) -> Any:
    return staff.client.get(path, headers={"Authorization": ""})


def test_link_to_a_lost_quote_opens_no_other(world: World) -> None:
    with world.first() as staff:
        world.back_up()
        lost = staff.act(staff.issued(), "links", {})["path"]

    with world.again(world.restored()) as staff:
        released(staff)
        other = staff.issued()

        assert other != "Q1"
        told = sound_problem(by_link(staff, lost), b"")
        yes = staff.client.post(f"{lost}/accept", json={"who": "X"}, headers={"Authorization": ""})
        assert (told["code"], yes.status_code) == ("unknown-record", 404)
        assert staff.get(f"/v1/quotes/{other}")["state"] == "issued"


def test_link_to_a_lost_revision_opens_no_other_of_its_number(world: World) -> None:
    with world.first() as staff:
        id = staff.issued()  # noqa: A001
        kept = staff.act(id, "links", {})["path"]
        world.back_up()
        revised(staff, id, "smokes")
        lost = staff.act(id, "links", {})["path"]
        assert by_link(staff, lost).status_code == 200

    with world.again(world.restored()) as staff:
        held = [by_link(staff, path).json()["code"] for path in (kept, lost)]
        released(staff)
        assert by_link(staff, kept).json()["state"] == "issued", "it still leads to the same"
        revised(staff, id, "leaks")

        told = sound_problem(by_link(staff, lost), b"")
        yes = staff.client.post(f"{lost}/accept", json={"who": "X"}, headers={"Authorization": ""})
        assert held == ["records-held", "records-held"]
        assert (told["code"], yes.json()["code"]) == ("link-expired", "link-expired")
        assert "ask for a new link" in told["detail"]
        assert staff.get(f"/v1/quotes/{id}")["state"] == "issued"
        # one made now works
        fresh = staff.act(id, "links", {})["path"]
        assert by_link(staff, fresh).json()["quote"]["complaint"] == "leaks"


def test_etag_of_a_lost_version_is_not_taken_for_another_of_its_number(world: World) -> None:
    with world.first() as staff:
        id = staff.issued()  # noqa: A001
        before = staff.tag(id)
        world.back_up()
        revised(staff, id, "smokes")
        lost = staff.tag(id)

    with world.again(world.restored()) as staff:
        released(staff)
        revised(staff, id, "leaks")

        for stale in (before, lost):
            assert staff.refused(f"/v1/quotes/{id}/withdraw", None, stale)["code"] == (
                "record-changed"
            )
            headers = {"If-None-Match": stale}
            assert staff.client.get(f"/v1/quotes/{id}", headers=headers).status_code == 200
        assert staff.tag(id) != lost


def test_idempotency_key_from_before_repeats_neither_answer_nor_act(world: World) -> None:
    asked = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]}
    headers = {"Idempotency-Key": '"mine"'}
    with world.first() as staff:
        assert staff.client.post("/v1/quotes", json=asked, headers=headers).status_code == 201
        world.back_up()

    with world.again(world.restored()) as staff:
        released(staff)
        answer = staff.client.post("/v1/quotes", json=asked, headers=headers)

        assert sound_problem(answer, b"")["code"] == "call-undone"
        assert len(staff.get("/v1/quotes")["items"]) == 1


@pytest.mark.parametrize("is_bare", [True, False])
def test_consumer_of_the_feed_is_told_how_to_go_on(world: World, is_bare: bool) -> None:
    with world.first() as staff:
        staff.quote()
        world.back_up()
        shared = staff.get("/v1/events")["last"]
        staff.quote()
        page = staff.get("/v1/events")
        seen = str(page["last"]) if is_bare else page["next"]
        assert staff.get("/v1/events", after=seen)["items"] == []

    with world.again(world.restored()) as staff:
        answer = staff.client.get("/v1/events", params={"after": seen})

        told = sound_problem(answer, b"")
        assert (answer.status_code, told["code"]) == (410, "feed-restarted")
        assert f"after place {shared} are undone" in told["detail"]
        follow = answer.headers["Link"].removeprefix("<").partition(">")[0]
        new = staff.client.get(follow).json()
        assert [event["kind"] for event in new["items"]] == ["records.restored"]
        assert new["items"][0]["seq"] > page["last"]
        again = staff.get("/v1/events", after=new["next"])
        assert (again["items"], again["next"]) == ([], new["next"])
        # who is behind the backup goes on where it was
        early = staff.client.get("/v1/events", params={"after": "1"})
        assert ".1>" in early.headers["Link"]
        unknown = staff.client.get("/v1/events", params={"after": "0123456789.5"})
        assert ".0>" in unknown.headers["Link"]
        assert staff.get("/v1/events")["items"][0]["seq"] == 1


def test_event_keeps_its_id_and_lost_ones_are_never_given_again(world: World) -> None:
    with world.first() as staff:
        staff.quote()
        world.back_up()
        before = {event["id"] for event in staff.get("/v1/events")["items"]}
        staff.quote()
        lost = {event["id"] for event in staff.get("/v1/events")["items"]} - before

    with world.again(world.restored()) as staff:
        released(staff)
        staff.quote()
        after = {event["id"] for event in staff.get("/v1/events")["items"]}
        shop = staff.get("/v1/shop")["id"]

    assert before < after
    assert lost
    assert not lost & after
    assert all(name.startswith(f"{shop}_") for name in after)


def test_no_id_is_given_twice_by_several_restores_of_one_backup(world: World) -> None:
    def work(staff: Staff) -> set[str]:
        quote = staff.issued()
        customer = staff.done("/v1/customers", {"name": "Zoe"}).json()["id"]
        return {quote, customer}

    with world.first() as staff:
        old = work(staff)
        world.back_up()
        given = [work(staff)]
    for _ in range(3):
        with world.again(world.restored()) as staff:
            released(staff)
            given.append(work(staff))
            given[-1] |= {f"event {staff.get('/v1/events')['last']}"}

    everything = [*old, *(name for names in given for name in names)]
    assert len(everything) == len(set(everything))


def test_nothing_goes_out_until_it_is_released(world: World) -> None:
    with world.first() as staff:
        id = staff.issued()  # noqa: A001
        staff.done("/v1/webhooks", {"url": "https://hooks.example/shop"})
        body = {"to": "a@mail.example"}
        staff.done(f"/v1/quotes/{id}/messages", body, staff.tag(id))
        world.back_up()

    with world.again(world.restored()) as staff:
        store, late = staff.counter.store, world.clock() + 9 * HOUR
        mails = StoredMails(store, lambda: staff.counter.desk.stamp(Hand.service, "mail"))
        events = StoredOutbox(store)
        held = (mails.due(late), mails.soonest(), events.due(late, 9), events.soonest())
        told = staff.get("/v1/release")
        unsaid = staff.refused("/v1/release", {})
        done = released(staff, webhooks="send")

        assert held == (None, None, (), None)
        assert [mail["quote"] for mail in told["mails"]] == [id]
        assert told["events"][0]["webhook"] == "W1"
        assert told["offers"] == [id]
        assert [key["name"] for key in told["keys"]] == ["owner"]
        assert (told["is_held"], done["is_held"]) == (True, False)
        assert unsaid["errors"][0]["code"] == "choice-missing"
        assert mails.due(late) is None, "dropped"
        (delivery,) = events.due(late, 9)
        assert delivery.id.startswith("evt_")
        assert staff.get(f"/v1/quotes/{id}/messages")["items"][0]["state"] == "failed"
        assert staff.refused("/v1/release", {})["errors"][0]["code"] == "not-held"


def test_delivery_of_a_kept_event_has_the_id_it_had(world: World) -> None:
    with world.first() as staff:
        staff.done("/v1/webhooks", {"url": "https://hooks.example/shop"})
        before = StoredOutbox(staff.counter.store).due(world.clock() + HOUR, 1)
        world.back_up()

    with world.again(world.restored()) as staff:
        released(staff, webhooks="send")
        after = StoredOutbox(staff.counter.store).due(world.clock() + HOUR, 1)

    assert [one.id for one in before] == [one.id for one in after]


def test_held_records_are_read_but_changed_by_nobody_else(world: World) -> None:
    with world.first() as staff:
        id = staff.issued()  # noqa: A001
        world.back_up()

    with world.again(world.restored()) as staff:
        assert staff.get(f"/v1/quotes/{id}")["state"] == "issued"
        assert staff.refused("/v1/quotes", {"family": "QM-H27"})["code"] == "records-held"
        answer = staff.post(f"/v1/quotes/{id}/withdraw", None, staff.tag(id))
        assert (answer.status_code, answer.json()["code"]) == (503, "records-held")
        # the owner's own calls
        made = staff.done("/v1/keys", {"name": "till", "scopes": ["read"]}).json()
        staff.done(f"/v1/keys/{made['id']}/revoke")
        staff.done(f"/v1/quotes/{id}/links/revoke")
        # what somebody else of the shop may do otherwise
        other = staff.done("/v1/keys", {"name": "desk", "scopes": ["read", "quote"]}).json()
        staff.client.headers["Authorization"] = f"Bearer {other['key']}"
        assert staff.refused(f"/v1/quotes/{id}/links/revoke")["code"] == "records-held"
        staff.client.headers["Authorization"] = f"Bearer {staff.counter.key}"
        released(staff)
        staff.act(id, "withdraw")


def test_link_revoked_since_the_backup_stays_revoked(world: World) -> None:
    with world.first() as staff:
        id = staff.issued()  # noqa: A001
        path = staff.act(id, "links", {})["path"]
        kept = staff.act(staff.issued(), "links", {})["path"]
        world.back_up()
        staff.done(f"/v1/quotes/{id}/links/revoke")
        assert by_link(staff, path).status_code == 410

    with world.again(world.restored()) as staff:
        released(staff)
        answer = by_link(staff, path)
        assert (answer.status_code, answer.json()["code"]) == (410, "link-expired")
        assert by_link(staff, kept).status_code == 200
        new = staff.act(id, "links", {})["path"]
        assert by_link(staff, new).status_code == 200


def test_revoked_key_stays_revoked(world: World) -> None:
    with world.first() as staff:
        made = staff.done("/v1/keys", {"name": "till", "scopes": ["read"]}).json()
        world.back_up()
        staff.done(f"/v1/keys/{made['id']}/revoke")

    for with_ledger in (True, False):
        folder = world.restored(with_ledger=with_ledger)
        with world.again(folder, has_new_key=True) as staff:
            headers = {"Authorization": f"Bearer {made['key']}"}
            answer = staff.client.get("/v1/quotes", headers=headers)
            assert sound_problem(answer, b"")["code"] == "key-refused"
            released(staff, confirm=True)
            answer = staff.client.get("/v1/quotes", headers=headers)
            # the owner who confirms without a ledger was told that it is not known
            assert answer.status_code == (401 if with_ledger else 200)


def test_erased_customer_stays_erased(world: World) -> None:
    with world.first() as staff:
        customer = staff.done("/v1/customers", {"name": "Zoe Unforgettable"}).json()["id"]
        path = f"/v1/customers/{customer}"
        world.back_up()
        staff.done(f"{path}/erase", None, staff.client.get(path).headers["ETag"])

    with world.again(world.restored()) as staff:
        assert staff.get(path)["name"] == "erased"
        assert staff.get("/v1/customers", q="Unforgettable")["items"] == []


def test_without_a_ledger_old_keys_and_personal_data_are_closed(world: World) -> None:
    with world.first() as staff:
        customer = staff.done("/v1/customers", {"name": "Zoe"}).json()["id"]
        world.back_up()

    folder = world.restored(with_ledger=False)
    with world.again(folder) as staff:
        answer = staff.client.get(f"/v1/customers/{customer}")
        assert answer.json()["code"] == "key-refused"
    with world.again(folder, has_new_key=True) as staff:
        reader = staff.done("/v1/keys", {"name": "till", "scopes": ["read"]}).json()["key"]
        headers = {"Authorization": f"Bearer {reader}"}
        for path in (f"/v1/customers/{customer}", "/v1/quotes", "/v1/machines"):
            answer = staff.client.get(path, headers=headers)
            assert sound_problem(answer, b"")["code"] == "records-held"
        assert staff.client.get("/v1/events", headers=headers).status_code == 200
        # the owner may look, erase and then confirm
        assert staff.get(f"/v1/customers/{customer}")["name"] == "Zoe"
        tag = staff.client.get(f"/v1/customers/{customer}").headers["ETag"]
        staff.done(f"/v1/customers/{customer}/erase", None, tag)
        assert staff.refused("/v1/release", {})["errors"][0]["code"] == "not-confirmed"
        assert released(staff, confirm=True)["is_confirmed"] is True
        assert staff.client.get("/v1/quotes", headers=headers).status_code == 200


def test_folder_is_not_served_as_anothers(world: World, service: Service) -> None:
    with world.first() as staff:
        staff.quote()
    other = next(
        shop
        for shop in service.workshop.catalogue.shops.values()
        if shop.id != service.workshop.shop.id
    )
    settings = Settings(catalog=built_in_catalog(), data=world.place / "shop")
    foreign = Service(
        type(service.workshop)(service.workshop.catalogue, other, 2**20), service._today
    )

    with pytest.raises(FolderOfAnother, match=f"--shop {service.workshop.shop.id}"):
        open_desk(foreign, settings)
