"""Faults by chance, receipts that come otherwise than they should, and what the servers count."""

from __future__ import annotations

import asyncio
import socket
import time
from collections import Counter
from dataclasses import replace
from datetime import datetime
from itertools import cycle
from threading import Event, Thread

import httpx
import pytest

from alerts.loopback.gateway import Fault, LoopbackGateway, ReceiptFault, Reply
from alerts.loopback.mailbox import At, LoopbackMailbox, MailFault
from alerts.loopback.misbehaviour import Chance
from alerts.loopback.receipts import Errands
from alerts.loopback.webhooks import Webhooks
from alerts.loopback.webserver import Answer, LoopbackServer, Request
from alerts.transports.base import Outcome, OutgoingMessage, SendResult
from alerts.transports.smtp import Smtp

FORM = {"To": "+12025550143", "From": "+12025550100", "Body": "Start cutting. #A7K2"}


def post(gateway: LoopbackGateway, **changes: str) -> httpx.Response:
    return httpx.post(url_of(gateway), data=FORM | changes, auth=auth(gateway))


def url_of(gateway: LoopbackGateway) -> str:
    return f"{gateway.base_url}/Accounts/{gateway.account}/Messages.json"


def auth(gateway: LoopbackGateway) -> tuple[str, str]:
    return gateway.account, gateway.secret


class TestChance:
    def test_share_is_met_and_the_same_seed_gives_the_same(self) -> None:
        runs = []
        for _ in range(2):
            chance = Chance(seed=7, share=0.2, patience_s=1.0)
            runs.append([chance.sending() for _ in range(5000)])
        assert runs[0] == runs[1]
        faults = [fault for fault in runs[0] if fault != Fault()]
        assert len(faults) == pytest.approx(1000, abs=100)  # 3.5 standard deviations

    def test_every_way_to_fail_comes_about(self) -> None:
        chance = Chance(seed=1, share=1.0, patience_s=1.0)
        sent = {chance.sending() for _ in range(2000)}
        assert {(fault.reply, fault.keeps) for fault in sent} >= {
            (reply, keeps)
            for reply in (Reply.DROP, Reply.RESET, Reply.SERVER_ERROR, Reply.GARBAGE)
            for keeps in (False, True)
        } | {(Reply.BUSY_UNNAMED, True), (Reply.BUSY_UNNAMED, False), (Reply.BUSY, False)}
        assert {fault.retry_after_s for fault in sent} == {None, 30}
        assert any(fault.keeps and fault.delay_s > 1.0 for fault in sent)
        assert {chance.telling().times for _ in range(200)} == {0, 1, 2, 3}
        assert all(chance.reading() != Fault() for _ in range(200))
        mailed = {chance.mailing() for _ in range(2000)}
        assert {fault.at for fault in mailed if fault} == set(At)

    def test_without_a_share_nothing_fails(self) -> None:
        chance = Chance(seed=1, share=0.0, patience_s=1.0)
        assert {chance.sending() for _ in range(100)} == {Fault()}
        assert {chance.mailing() for _ in range(100)} == {None}


class TestGateway:
    def test_misbehaviour_is_asked_where_no_script_speaks(self, now: datetime) -> None:
        faults = cycle([Fault(Reply.SERVER_ERROR, keeps=True), Fault()])
        with LoopbackGateway(clock=lambda: now, misbehaviour=lambda: next(faults)) as gateway:
            gateway.script(Fault(Reply.BUSY))
            assert [post(gateway).status_code for _ in range(3)] == [429, 500, 201]
            assert gateway.held() == Counter({(FORM["To"], FORM["Body"]): 2})
            assert gateway.seen == Counter({"send": 3, "send busy": 1, "send server_error kept": 1})

    @pytest.mark.parametrize("reply", [Reply.DROP, Reply.RESET, Reply.CUT_SHORT])
    def test_question_finds_a_broken_line(self, now: datetime, reply: Reply) -> None:
        gateway = LoopbackGateway(clock=lambda: now, read_misbehaviour=lambda: Fault(reply))
        with gateway:
            sid = post(gateway).json()["sid"]
            for url in (url_of(gateway), url_of(gateway).replace(".json", f"/{sid}.json")):
                with pytest.raises(httpx.TransportError):
                    httpx.get(url, auth=auth(gateway))

    @pytest.mark.parametrize(
        ("reply", "status"), [(Reply.SERVER_ERROR, 500), (Reply.BUSY, 429), (Reply.GARBAGE, 200)]
    )
    def test_question_gets_a_bad_answer(self, now: datetime, reply: Reply, status: int) -> None:
        gateway = LoopbackGateway(clock=lambda: now, read_misbehaviour=lambda: Fault(reply))
        with gateway:
            response = httpx.get(url_of(gateway), auth=auth(gateway))
            assert response.status_code == status
            assert "messages" not in response.text

    def test_answer_cut_short_has_taken_the_text(self, now: datetime) -> None:
        with LoopbackGateway(clock=lambda: now) as gateway:
            gateway.script(Fault(Reply.CUT_SHORT, keeps=True), Fault(Reply.CUT_SHORT))
            for _ in range(2):
                with pytest.raises(httpx.RemoteProtocolError):
                    post(gateway)
            assert gateway.held().total() == 1

    def test_list_of_one_number_holds_its_texts_alone(self, now: datetime) -> None:
        with LoopbackGateway(clock=lambda: now) as gateway:
            for number in range(1000):
                gateway._shelf.take({**FORM, "To": f"+1202555{number:04d}"}, now)
            for number in range(1000):
                page = gateway._shelf.page("/", {"To": f"+1202555{number:04d}"})
                [text] = page["messages"]  # type: ignore[misc]
                assert text["to"] == f"+1202555{number:04d}"

    def test_hook_that_waits_holds_up_nobody_else(self, now: datetime) -> None:
        let_go = Event()
        with LoopbackGateway(clock=lambda: now, on_message=lambda _: let_go.wait(10)) as gateway:
            waiting = Thread(target=post, args=(gateway,))
            waiting.start()
            assert httpx.get(url_of(gateway), auth=auth(gateway)).status_code == 200
            assert waiting.is_alive()
            let_go.set()
            waiting.join()


class TestReceipts:
    def told(self, now: datetime, faults: list[ReceiptFault]) -> list[str]:
        """Statuses in the order in which they were told of one text."""
        said: list[str] = []

        def take(request: Request) -> Answer:
            said.append(request.fields["MessageStatus"])
            return Answer(204, "")

        coming = iter(faults)
        receiver = LoopbackServer(take)
        receiver.start()
        gateway = LoopbackGateway(
            clock=lambda: now,
            webhooks=Webhooks("", "key"),
            receipt_misbehaviour=lambda: next(coming),
        )
        with gateway:
            post(gateway, StatusCallback=f"{receiver.url}/status")
            gateway.tell_all()
            assert gateway.texts[0].status == "delivered"
            assert gateway.seen["receipt"] == len(said)
        receiver.stop()
        return said

    @pytest.mark.parametrize(
        ("faults", "said"),
        [
            ([ReceiptFault(), ReceiptFault()], ["sent", "delivered"]),
            ([ReceiptFault(2), ReceiptFault()], ["sent", "sent", "delivered"]),
            ([ReceiptFault(0), ReceiptFault()], ["delivered"]),
            ([ReceiptFault(), ReceiptFault(0)], ["sent"]),
            ([ReceiptFault(delay_s=30), ReceiptFault()], ["delivered", "sent"]),
        ],
        ids=["all", "repeated", "first lost", "last lost", "out of order"],
    )
    def test_receipts_come_as_chance_will(
        self, now: datetime, faults: list[ReceiptFault], said: list[str]
    ) -> None:
        assert self.told(now, faults) == said

    def test_many_texts_need_few_threads(self, now: datetime) -> None:
        with LoopbackGateway(clock=lambda: now, webhooks=Webhooks("", "key")) as gateway:
            for _ in range(30):
                post(gateway, StatusCallback="http://127.0.0.1:9/status")
            assert len(gateway._errands._threads) <= 4
            gateway.tell_all()
            assert {text.status for text in gateway.texts} == {"delivered"}

    def test_late_errand_waits_its_time(self) -> None:
        errands, order = Errands(), []
        errands.add(lambda: order.append("late"), delay_s=0.2)
        errands.add(lambda: order.append("now"))
        time.sleep(0.1)
        assert order == ["now"]
        errands.stop()  # cuts the wait short
        assert order == ["now", "late"]


class TestMailbox:
    def send(self, server: LoopbackMailbox, *mails: OutgoingMessage) -> list[SendResult]:
        transport = Smtp(
            host=server.host, port=server.port, sender="alerts@example.org", use="plain"
        )
        return [asyncio.run(transport.send(mail)) for mail in mails]

    def test_misbehaviour_is_drawn_once_for_a_connection(self, mail: OutgoingMessage) -> None:
        faults = iter([None, MailFault("450 busy", at=At.RECIPIENT), MailFault(keeps=True)])
        with LoopbackMailbox(misbehaviour=lambda: next(faults)) as server:
            results = self.send(server, *[mail] * 3)
            assert server.held() == Counter({(mail.to, "<att_02@example.org>"): 2})
            assert server.seen == Counter(
                {"mail": 3, "mail recipient 450": 1, "mail content dropped kept": 1}
            )
        assert [result.outcome for result in results] == [
            Outcome.ACCEPTED,
            Outcome.LATER,
            Outcome.UNKNOWN,
        ]

    def test_second_id_for_the_same_words_shows(self, mail: OutgoingMessage) -> None:
        with LoopbackMailbox() as server:
            self.send(server, mail, replace(mail, message_id="att_03"))
            assert len(server.held()) == 2


class TestServer:
    def test_what_is_no_request_is_refused(self) -> None:
        server = LoopbackServer(lambda _: Answer(200, "fine", "text/plain"))
        server.start()
        port = int(server.url.rpartition(":")[2])
        for said in (b"hello\r\n\r\n", b"POST / HTTP/1.1\r\nContent-Length: x\r\n\r\n"):
            with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
                line.sendall(said)
                assert line.recv(100).startswith(b"HTTP/1.1 400 ")
        server.stop()

    def test_request_in_pieces_is_put_together(self) -> None:
        server = LoopbackServer(lambda request: Answer(200, request.fields["a"], "text/plain"))
        server.start()
        port = int(server.url.rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
            for piece in (b"POST / HTTP/1.1\r\nContent-", b"Length: 6\r\n\r\na=", b"wide"):
                line.sendall(piece)
                time.sleep(0.02)
            assert line.makefile("rb").read().endswith(b"wide")
        server.stop()

    def test_stop_ends_idle_lines_and_lets_answers_out(self) -> None:
        server = LoopbackServer(lambda _: Answer(200, "late", "text/plain", delay_s=60))
        server.start()
        port = int(server.url.rpartition(":")[2])
        answers: list[str] = []
        asking = Thread(target=lambda: answers.append(httpx.get(server.url, timeout=30).text))
        with socket.create_connection(("127.0.0.1", port), timeout=5) as idle:
            asking.start()
            time.sleep(0.2)
            server.stop()
            asking.join()
            assert idle.recv(10) == b""
        assert answers == ["late"]
