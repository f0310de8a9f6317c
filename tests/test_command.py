"""The `kitwright` command, as a person runs it."""

import errno
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from io import BytesIO, TextIOWrapper
from pathlib import Path
from urllib.error import HTTPError

import pytest
from tests.catalogue.one_family import write_one_family

from kitwright.__main__ import main
from kitwright.errors import reason_of
from kitwright.settings import ENVIRONMENT, SettingUnreadable, read_settings

REPOSITORY = Path(__file__).resolve().parents[1]
EXAMPLE = REPOSITORY / "openapi" / "examples" / "previewQuote.leaking-valve.json"
FINDINGS = REPOSITORY / "openapi" / "examples" / "assessFindings.oil-on-one-plug.json"
COMMANDS = ("serve", "assess", "quote", "check-catalog", "openapi", "backup", "restore", "doctor")
SAID = "listening on "


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-W", "error", "-m", "kitwright", *map(str, arguments)]


def surroundings(**more: str) -> dict[str, str]:
    """Return the environment without Kitwright's own variables, and with some more."""
    plain = {name: value for name, value in os.environ.items() if name[:9] != "KITWRIGHT"}
    return {**plain, **more}


Said = tuple[int | str | None, str, str]
"""Exit code, output and complaints."""
Run = Callable[..., Said]


def run_apart(
    *arguments: str | Path, environment: Mapping[str, str] | None = None, folder: Path = REPOSITORY
) -> Said:
    """Return what the command says as a process of its own."""
    done = subprocess.run(
        command(*arguments),
        capture_output=True,
        cwd=folder,
        env=surroundings(**(environment or {})),
        text=True,
        timeout=120,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Return a function that runs the command here, which saves its start."""

    def here(
        *arguments: str | Path, given: bytes = b"", environment: Mapping[str, str] | None = None
    ) -> Said:
        for name in ENVIRONMENT.values():
            monkeypatch.delenv(name, raising=False)
        for name, value in (environment or {}).items():
            monkeypatch.setenv(name, value)
        monkeypatch.setattr(sys, "stdin", TextIOWrapper(BytesIO(given)))
        try:
            code: int | str | None = main([*map(str, arguments)])
        except SystemExit as end:
            code = end.code
        said = capsys.readouterr()
        return code, said.out, said.err

    return here


def test_help_names_every_command(run: Run) -> None:
    code, said, _ = run("--help")

    assert code == 0
    assert all(name in said for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_a_command_teaches_by_example(run: Run, name: str) -> None:
    code, said, _ = run(name, "--help")

    assert code == 0
    assert re.search(rf"example: kitwright {name}|small request", said)


def test_help_of_serve_names_every_environment_variable(run: Run) -> None:
    _, said, _ = run("serve", "--help")

    assert all(variable in said for variable in ENVIRONMENT.values())


@pytest.mark.parametrize("name", ["quote", "assess"])
def test_help_shows_a_request_that_is_answered(run: Run, name: str) -> None:
    _, said, _ = run(name, "--help")
    request = re.search(r"\{.*\}", said, re.DOTALL)
    assert request is not None

    code, _, complaint = run(name, "-", given=" ".join(request[0].split()).encode())

    assert code == 0, complaint


def test_command_runs_as_a_module() -> None:
    assert run_apart("--version")[1].startswith("kitwright ")


@pytest.mark.parametrize(
    ("arguments", "usage"),
    [
        ((), "kitwright"),
        (("sell",), "kitwright"),
        (("quote",), "kitwright quote"),
        (("quote", "-", "--port", "1"), "kitwright quote"),
        (("doctor", "x"), "kitwright doctor"),
        (("openapi", "--write", "--check"), "kitwright openapi"),
    ],
)
def test_wrong_usage_is_refused_with_the_usage(
    run: Run, arguments: tuple[str, ...], usage: str
) -> None:
    code, _, complaint = run(*arguments)

    assert code == 2
    assert complaint.startswith(f"usage: {usage} [-h]")


def test_help_names_the_exit_codes(run: Run) -> None:
    _, said, _ = run("--help")

    assert "0: done" in " ".join(said.split())


def test_readme_says_what_its_first_example_answers(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    readme = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    typed = re.search(r"^ +\.venv/demo/bin/kitwright (quote (\S+))$", readme, re.MULTILINE)
    amounts = re.findall(r"\$\d+\.\d\d", readme)
    assert typed is not None
    assert amounts
    monkeypatch.chdir(REPOSITORY)

    code, said, complaint = run(*typed[1].split())

    assert code == 0, complaint
    assert [amount for amount in amounts if amount.removeprefix("$") not in said] == []
    # the call over HTTP sends the same request
    assert f"-d @{typed[2]}\n" in readme


def test_quote_prints_a_quote_and_its_orders(run: Run) -> None:
    code, said, complaint = run("quote", EXAMPLE)

    assert (code, complaint) == (0, "")
    assert "QM-H27" in said or "H27" in said
    assert "Total due" in said
    assert "PURCHASE ORDER" in said


def test_quote_reads_standard_input(run: Run) -> None:
    assert run("quote", "-", given=EXAMPLE.read_bytes()) == run("quote", EXAMPLE)


def test_quote_gives_json(run: Run) -> None:
    code, said, _ = run("quote", "--json", EXAMPLE)

    assert code == 0
    assert json.loads(said)["totals"]["gross"]["currency"] == "USD"


def test_quote_is_of_the_shop_that_is_named(run: Run) -> None:
    asked = json.loads(EXAMPLE.read_bytes())

    _, said, _ = run("quote", "--json", "-", "--shop", "orchard", given=json.dumps(asked).encode())

    assert json.loads(said)["shop"]["id"] == "orchard"


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (b"", "the body is empty"),
        (b"{", "line 1"),
        (b'{"famly": 1}', "/family: required member missing"),
        (b'{"famly": 1}', "/famly: unknown member; did you mean family?"),
        (b'{"family": "QM-H28", "jobs": [{"job": "J-LASH"}]}', "/family: no engine family"),
        (b'{"family": "QM-H27", "language": "xx"}', "/language: no language 'xx'"),
        (b'{"family": "QM-H27", "language": "xx"}', "request: give at least one diagnosis"),
    ],
)
def test_quote_says_where_a_request_is_wrong(run: Run, given: bytes, told: str) -> None:
    code, said, complaint = run("quote", "-", given=given)

    assert (code, said) == (1, "")
    assert told in complaint
    assert "Traceback" not in complaint


def test_quote_of_a_file_that_is_not_there_names_it(run: Run) -> None:
    code, _, complaint = run("quote", "no-such-file.json")

    assert code == 1
    assert "no-such-file.json" in complaint
    assert "Traceback" not in complaint


@pytest.mark.parametrize("name", ["quote", "assess"])
@pytest.mark.parametrize(
    ("file", "told"),
    [
        ("nothing.json", "can't read {file}: there is no such file or folder"),
        ("folder", "can't read {file}: it is a folder, not a file"),
        ("file/inside.json", "can't read {file}: a part of its path is a file, not a folder"),
        ("", "can't read '': it is a folder, not a file"),
    ],
)
def test_file_that_can_not_be_read_is_named_in_one_line(
    run: Run, tmp_path: Path, name: str, file: str, told: str
) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").touch()
    path = str(tmp_path / file) if file else ""

    code, said, complaint = run(name, path)

    assert (code, said) == (1, "")
    assert complaint == told.format(file=path) + "\n"


def test_file_that_is_not_for_this_account_is_named(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path) -> bytes:
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    monkeypatch.setattr(Path, "read_bytes", refuse)

    _, _, complaint = run("quote", "secret.json")

    assert complaint == "can't read secret.json: permission denied\n"


def test_reason_of_an_error_that_is_not_foreseen_is_the_systems_own() -> None:
    assert reason_of(OSError(errno.EMFILE, "Too many open files")) == "Too many open files"
    assert reason_of(OSError("nothing but words")) == "nothing but words"


def test_quote_for_a_shop_that_is_not_there_names_the_shops(run: Run) -> None:
    code, _, complaint = run("quote", EXAMPLE, "--shop", "bakery")

    assert code == 1
    assert "hire-yard" in complaint


def test_quote_bears_a_reader_that_leaves() -> None:
    with subprocess.Popen(
        command("quote", "--json", EXAMPLE),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=surroundings(),
        cwd=REPOSITORY,
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        complaint = running.stderr.read()

    assert complaint == b""


def test_assess_prints_what_findings_come_to(run: Run) -> None:
    code, said, complaint = run("assess", FINDINGS)

    assert (code, complaint) == (0, "")
    assert "HG-GALLERY" in said or "gasket" in said


def test_assess_gives_json_and_a_picture(run: Run) -> None:
    _, told, _ = run("assess", "--json", FINDINGS)
    _, picture, _ = run("assess", "--svg", FINDINGS)

    assert json.loads(told)["diagnoses"]
    assert picture.startswith("<svg")


def test_assess_says_where_findings_are_wrong(run: Run) -> None:
    given = b'{"family": "TB-V68", "engine": {"plug_oil": "yes"}}'

    code, said, complaint = run("assess", "-", given=given)

    assert (code, said) == (1, "")
    assert complaint.startswith("/engine/plug_oil: ")


def test_check_catalog_counts_what_it_proved(run: Run, tmp_path: Path) -> None:
    folder = write_one_family(tmp_path / "catalog")

    code, said, complaint = run("check-catalog", "--catalog", folder)

    assert code == 0
    # its figures grow old, which is a warning
    assert all(line.startswith("warning: ") for line in complaint.splitlines())
    assert re.match(r"catalogue valid: 1 family, .* \d{2,} repairs planned", said)
    assert re.fullmatch(r"revision [0-9a-f]{64}", said.splitlines()[1])


def test_check_catalog_has_warnings_beside_errors(run: Run, tmp_path: Path) -> None:
    folder = write_one_family(tmp_path / "catalog")
    for file, old, new in (
        ("jobs.toml", "as_of = 2026-11-25", "as_of = 2920-01-01"),
        ("hazards.toml", "as_of = 2026-11-25", "as_of = 2920-01-01"),
    ):
        text = (folder / file).read_text(encoding="utf-8")
        (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")

    code, said, complaint = run("check-catalog", "--catalog", folder)

    assert code == 0
    (line,) = [one for one in complaint.splitlines() if "2920" in one]
    assert line.startswith("warning: hazards.toml: as_of 2920-01-01 is in the future")
    assert line.endswith("2 times, also in jobs.toml")
    assert re.search(
        r"planned, kitted and priced, \d+ work plans gone through; \d+ warnings\n", said
    )


@pytest.mark.parametrize("line", ['language = "fr"', 'language = "en"\nbench_language = "fr"'])
def test_check_catalog_finds_a_language_that_has_no_texts(
    run: Run, tmp_path: Path, line: str
) -> None:
    folder = tmp_path / "catalog"
    shutil.copytree(REPOSITORY / "catalog", folder)
    shop = folder / "shops" / "orchard.toml"
    told = shop.read_text(encoding="utf-8").replace('language = "en"', line, 1)
    shop.write_text(told, encoding="utf-8")

    checked = run("check-catalog", "--catalog", folder)
    served = run("quote", EXAMPLE, "--catalog", folder, "--shop", "hire-yard")

    told = "shops/orchard.toml: there are no texts in language 'fr'; available: en, de"
    assert checked[:2] == (1, "")
    assert told in checked[2]
    assert served[0] == 1
    assert told in served[2]


def test_check_catalog_tells_many_errors_of_one_cause_once(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "catalog"
    shutil.copytree(REPOSITORY / "catalog", folder)
    lists = folder / "price-lists.toml"
    text = lists.read_text(encoding="utf-8")
    lists.write_text(text.replace('id = "usd"', 'id = "dollars"', 1), encoding="utf-8")

    code, _, complaint = run("check-catalog", "--catalog", folder)

    assert code == 1
    assert complaint.count("there is no price list 'usd'") < 10
    assert re.search(r"\[list-price-missing\]; \d+ times, also in ", complaint)
    assert re.search(rf"\n\d+ errors of \d+ causes in {folder}\n$", complaint)


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    """Return a copy of the starter catalogue with two errors in different files."""
    folder = tmp_path / "catalog"
    shutil.copytree(REPOSITORY / "catalog", folder)
    for file, old, new in (
        ("shops/orchard.toml", 'tax_area = "example-vat"', 'tax_area = "atlantis"'),
        ("chassis/PW-G5.toml", "layouts = [", 'layouts = ["NONE", '),
    ):
        path = folder / file
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


def test_check_catalog_names_every_error_with_its_file(run: Run, broken: Path) -> None:
    code, said, complaint = run("check-catalog", "--catalog", broken)

    assert (code, said) == (1, "")
    assert re.search(r"shops.orchard\.toml.*atlantis", complaint)
    assert re.search(r"chassis.PW-G5\.toml.*NONE", complaint)
    assert complaint.splitlines()[-1] == f"2 errors in {broken}"


def test_check_catalog_of_no_catalogue_says_so(run: Run, tmp_path: Path) -> None:
    code, _, complaint = run("check-catalog", "--catalog", tmp_path)

    assert code == 1
    assert re.search(rf"\n\d+ errors of \d+ causes in {tmp_path}\n$", complaint)
    assert "Traceback" not in complaint


def test_check_catalog_counts_a_single_error_as_one(run: Run, tmp_path: Path) -> None:
    code, said, complaint = run("check-catalog", "--catalog", tmp_path / "nothing")

    assert (code, said) == (1, "")
    assert complaint.splitlines()[-1] == f"1 error in {tmp_path / 'nothing'}"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('tax_area = "example-vat"', "tax_area = 5", "a whole number: expected text"),
        ('tax_area = "example-vat"', "", "required field tax_area is missing"),
        ('tax_area = "example-vat"', 'tax_aera = "example-vat"', "unknown field tax_aera"),
        ('tax_area = "example-vat"', "tax_area = 2027-03-01", "a date: expected text"),
        ('tax_area = "example-vat"', 'tax_area = ["a"]', "a list: expected text"),
        ('language = "en"', "language = 1.5", "a number with a point: expected text"),
        ('basis = "', 'basis = "x', "'xactual_capped_by_quote' is not one of the words"),
    ],
)
def test_check_catalog_tells_in_plain_words_what_a_file_should_hold(
    run: Run, tmp_path: Path, old: str, new: str, told: str
) -> None:
    folder = tmp_path / "catalog"
    shutil.copytree(REPOSITORY / "catalog", folder)
    path = folder / "shops" / "orchard.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")

    _, _, complaint = run("check-catalog", "--catalog", folder)

    assert told in complaint
    assert not re.search(r"`|Expected|got ", complaint)


def test_unsound_catalogue_is_not_served(broken: Path, tmp_path: Path) -> None:
    code, said, complaint = run_apart(
        "serve", "--port", "0", "--catalog", broken, "--data", tmp_path / "data"
    )

    assert (code, said) == (1, "")
    assert "atlantis" in complaint


def test_openapi_prints_the_description_that_is_kept(run: Run) -> None:
    code, said, _ = run("openapi")

    assert code == 0
    assert said == (REPOSITORY / "openapi" / "openapi.json").read_text(encoding="utf-8")


def test_openapi_check_finds_the_kept_description_current(run: Run) -> None:
    assert run("openapi", "--check")[0] == 0


def test_openapi_is_the_same_whatever_the_environment_says(run: Run, tmp_path: Path) -> None:
    environment = {"KITWRIGHT_SHOP": "orchard", "KITWRIGHT_CATALOG": str(tmp_path)}

    assert run("openapi", "--check", environment=environment)[0] == 0


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    """Return a source tree of its own, whose kept description may be spoiled."""
    for name in ("service", "catalog", "openapi"):
        shutil.copytree(REPOSITORY / name, tmp_path / name)
    shutil.copy(REPOSITORY / "pyproject.toml", tmp_path)
    return tmp_path


def test_openapi_check_fails_where_the_kept_description_differs(copied: Path) -> None:
    kept = copied / "openapi" / "openapi.json"
    current = kept.read_text(encoding="utf-8")
    kept.write_text("{}", encoding="utf-8")
    environment = {"PYTHONPATH": str(copied / "service")}

    differs = run_apart("openapi", "--check", environment=environment, folder=copied)
    written = run_apart("openapi", "--write", environment=environment, folder=copied)

    assert differs[0] == 1
    assert "openapi --write" in differs[2]
    assert written[0] == 0
    assert kept.read_text(encoding="utf-8") == current


@contextmanager
def serving(
    *arguments: str | Path, **environment: str
) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run the service; give its process and its address."""
    with subprocess.Popen(
        command("serve", *arguments),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=surroundings(**environment),
        cwd=REPOSITORY,
    ) as running:
        try:
            assert running.stdout is not None
            # every data folder here is a new one
            assert re.fullmatch(r"owner key: kw_\w{10}_\w{49}\n", running.stdout.readline())
            line = running.stdout.readline()
            assert line.startswith(SAID)
            yield running, line.removeprefix(SAID).strip()
        finally:
            running.kill()


def shop_at(address: str) -> str:
    with urllib.request.urlopen(f"{address}/health/ready", timeout=20) as answer:
        return str(json.load(answer)["shop"])


@pytest.mark.parametrize("stop", [signal.SIGTERM, signal.SIGINT])
def test_serve_tells_its_address_and_stops_cleanly(tmp_path: Path, stop: signal.Signals) -> None:
    data = tmp_path / "made" / "data"
    with serving("--port", "0", "--data", data) as (running, address):
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+", address)
        assert (data / "address.txt").read_text(encoding="utf-8") == f"{address}\n"
        assert shop_at(address) == "hire-yard"

        running.send_signal(stop)
        said, complaint = running.communicate(timeout=20)

    assert running.returncode == 0
    assert said == ""
    assert [json.loads(line)["event"] for line in complaint.splitlines()] == ["request"]
    assert not (data / "address.txt").exists()


def test_serve_stops_though_a_caller_hangs(tmp_path: Path) -> None:
    with serving("--port", "0", "--data", tmp_path) as (running, address):
        port = int(address.rpartition(":")[2])
        with closing(socket.create_connection(("127.0.0.1", port), timeout=20)) as raw:
            raw.sendall(
                b"POST /v1/quotes/preview HTTP/1.1\r\nHost: localhost\r\n"
                b"Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{"
            )
            assert shop_at(address) == "hire-yard"
            began = time.monotonic()
            running.send_signal(signal.SIGTERM)
            running.wait(timeout=30)

    assert time.monotonic() - began < 20
    assert running.returncode == 0


def test_serve_takes_every_setting_from_the_environment(tmp_path: Path) -> None:
    environment = {
        "KITWRIGHT_HOST": "127.0.0.1",
        "KITWRIGHT_PORT": "0",
        "KITWRIGHT_DATA": str(tmp_path / "kept"),
        "KITWRIGHT_CATALOG": str(REPOSITORY / "catalog"),
        "KITWRIGHT_SHOP": "orchard",
        "KITWRIGHT_LOG": "faults",
        "KITWRIGHT_RATE": "600",
        "KITWRIGHT_PRIVATE_WEBHOOKS": "yes",
        "KITWRIGHT_MEMORY": "64",
        "KITWRIGHT_MAIL_FROM": "quotes@shop.example",
        "KITWRIGHT_SMTP_HOST": "localhost",
        "KITWRIGHT_SMTP_PORT": "2525",
        "KITWRIGHT_SMTP_TLS": "none",
        "KITWRIGHT_SMTP_USER": "shop",
        "KITWRIGHT_SMTP_PASSWORD": "secret",
        "KITWRIGHT_PUBLIC_URL": "https://quotes.shop.example/",
        "KITWRIGHT_LOCAL_LINKS": "yes",
        "KITWRIGHT_CUSTOMERS_PORT": "0",
        "KITWRIGHT_TRUSTED_PROXY": "10.0.0.5, fd00::/8",
    }
    assert environment.keys() == set(ENVIRONMENT.values())

    with serving(**environment) as (running, address):
        assert shop_at(address) == "orchard"
        assert (tmp_path / "kept" / "address.txt").is_file()
        running.terminate()
        _, complaint = running.communicate(timeout=20)

    assert complaint == ""


def test_owner_key_lets_in_whoever_lost_theirs(tmp_path: Path) -> None:
    code, said, complaint = run_apart("owner-key", "--data", tmp_path)
    assert (code, said) == (1, "")
    assert "no database in" in complaint
    with serving("--port", "0", "--data", tmp_path):
        pass

    code, said, complaint = run_apart("owner-key", "--data", tmp_path)

    assert (code, complaint) == (0, "")
    key = said.removeprefix("owner key: ").strip()
    with subprocess.Popen(
        command("serve", "--port", "0", "--data", tmp_path), stdout=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout is not None
        address = running.stdout.readline().removeprefix(SAID).strip()
        headers = {"Authorization": f"Bearer {key}"}
        request = urllib.request.Request(f"{address}/v1/audit", headers=headers)
        with urllib.request.urlopen(request, timeout=20) as answer:
            (event,) = json.load(answer)["items"]
        running.terminate()
    assert (event["kind"], event["hand"]) == ("key.created", "service")


def test_serve_takes_what_is_typed_before_the_environment(tmp_path: Path) -> None:
    with serving(
        "--shop", "hire-yard", "--port", "0", "--data", tmp_path, KITWRIGHT_SHOP="orchard"
    ) as (_, address):
        assert shop_at(address) == "hire-yard"


@pytest.mark.parametrize(
    ("environment", "told"),
    [
        ({"KITWRIGHT_PORT": "http"}, "KITWRIGHT_PORT is 'http'"),
        ({"KITWRIGHT_PORT": "65536"}, "from 0 to 65535"),
        ({"KITWRIGHT_PORT": "-1"}, "from 0 to 65535"),
        ({"KITWRIGHT_LOG": "all"}, "one of faults, requests"),
        ({"KITWRIGHT_RATE": "fast"}, "KITWRIGHT_RATE is 'fast'"),
        ({"KITWRIGHT_PRIVATE_WEBHOOKS": "1"}, "yes or no"),
        ({"KITWRIGHT_MEMORY": "much"}, "KITWRIGHT_MEMORY is 'much'"),
        ({"KITWRIGHT_MEMORY": "63"}, "from 64 to 1000000"),
        ({"KITWRIGHT_CUSTOMERS_PORT": "public"}, "from 0 to 65535"),
        ({"KITWRIGHT_TRUSTED_PROXY": "10.0.0.5/8"}, "IP addresses or networks"),
        ({"KITWRIGHT_TRUSTED_PROXY": "proxy.example"}, "IP addresses or networks"),
        ({"KITWRIGHT_SHOP": "bakery"}, "hire-yard"),
        ({"KITWRIGHT_CATALOG": "nowhere"}, "nowhere"),
    ],
)
def test_serve_says_which_setting_is_wrong(
    run: Run,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    environment: dict[str, str],
    told: str,
) -> None:
    # should the setting be taken, the test ends all the same
    monkeypatch.setattr("kitwright.app.serve_service", lambda *_: None)

    code, said, complaint = run("serve", "--data", tmp_path, environment=environment)

    assert (code, said) == (1, "")
    assert told in complaint
    assert "Traceback" not in complaint


def test_serve_says_that_it_can_not_listen_at_an_address(tmp_path: Path) -> None:
    environment = {"KITWRIGHT_HOST": "203.0.113.7", "KITWRIGHT_PORT": "0"}

    code, said, complaint = run_apart("serve", "--data", tmp_path, environment=environment)

    assert (code, said) == (1, "")
    assert "can't listen on 203.0.113.7" in complaint
    assert "Traceback" not in complaint


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (("--port", "http"), "--port is 'http', but must be a whole number from 0 to 65535"),
        (("--log", "all"), "--log is 'all', but must be one of faults, requests"),
        (("--private-webhooks", "1"), "--private-webhooks is '1', but must be yes or no"),
        (("--mail-from", "shop"), "--mail-from is 'shop', but must be one plain e-mail address"),
        (("--smtp-host", "mail.example"), "--mail-from (or KITWRIGHT_MAIL_FROM) is missing"),
    ],
)
def test_serve_names_the_option_that_is_wrong(run: Run, typed: tuple[str, ...], told: str) -> None:
    code, said, complaint = run("serve", *typed)

    assert (code, said) == (1, "")
    assert complaint.startswith(told)
    assert complaint.count("\n") == 1


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ("file", "there is a file in the place of the folder"),
        ("file/within", "a part of its path is a file, not a folder"),
    ],
)
def test_serve_says_that_its_data_folder_is_a_file(
    run: Run, tmp_path: Path, data: str, told: str
) -> None:
    (tmp_path / "file").touch()

    code, said, complaint = run("serve", "--port", "0", "--data", tmp_path / data)

    assert (code, said) == (1, "")
    assert complaint == f"can't open {tmp_path / data / 'kitwright.db'}: {told}\n"


def test_serve_says_that_a_port_is_taken(tmp_path: Path) -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        port = taken.getsockname()[1]

        code, _, complaint = run_apart("serve", "--port", str(port), "--data", tmp_path)

    assert code == 1
    assert f"can't listen on 127.0.0.1, port {port}" in complaint


def test_serve_answers_a_problem_and_logs_it(tmp_path: Path) -> None:
    with serving("--port", "0", "--data", tmp_path) as (running, address):
        with pytest.raises(HTTPError) as refused:
            urllib.request.urlopen(f"{address}/v1/families/none", timeout=20)
        told = json.load(refused.value)
        running.terminate()
        _, complaint = running.communicate(timeout=20)

    assert told["code"] == "key-missing"
    (line,) = map(json.loads, complaint.splitlines())
    assert (line["status"], line["problem"]) == (401, "key-missing")
    assert line["request_id"] == refused.value.headers["X-Request-Id"]


def test_read_settings_serves_a_person_who_gives_none() -> None:
    settings = read_settings({}, {})

    assert (settings.host, settings.port, settings.log) == ("127.0.0.1", 8460, "requests")
    assert (settings.catalog / "jobs.toml").is_file()


@pytest.mark.parametrize("port", ["", " 80", "8_0", "٨٠", "8.0"])
def test_read_settings_refuses_a_port_that_is_no_number(port: str) -> None:
    with pytest.raises(SettingUnreadable):
        read_settings({"port": port}, {})


MAILS = {"smtp_host": "mail.example.org", "mail_from": "quotes@shop.example"}


def test_read_settings_sends_mails_as_is_usual() -> None:
    secret = {"KITWRIGHT_SMTP_PASSWORD": "hidden"}

    settings = read_settings(
        {**MAILS, "smtp_tls": "tls", "public_url": "https://a.example/shop/"}, secret
    )

    assert (settings.smtp_port, settings.smtp_tls) == (465, "tls")
    assert settings.public_url == "https://a.example/shop"
    assert settings.smtp_password == "hidden"
    assert "hidden" not in repr(settings)
    assert "hidden" not in f"{settings}"
    assert read_settings(MAILS, {}).smtp_port == 587
    assert read_settings({}, {}).smtp_host is None


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "::1", "127.8.8.8"])
def test_read_settings_lets_mails_be_plain_on_this_machine(host: str) -> None:
    settings = read_settings({**MAILS, "smtp_host": host, "smtp_tls": "none"}, {})

    assert (settings.smtp_port, settings.smtp_tls) == (25, "none")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("mail_from", "Shop <quotes@shop.example>"),
        ("mail_from", ""),
        ("smtp_host", "mail example"),
        ("smtp_host", "mail\r\nexample"),
        ("smtp_tls", "none"),
        ("smtp_tls", "ssl"),
        ("smtp_port", "0"),
        ("smtp_port", "65536"),
        ("smtp_port", "x"),
        ("public_url", "ftp://shop.example"),
        ("public_url", "https://shop.example/?q"),
        ("public_url", "https://shop.example/a b"),
        ("public_url", "shop.example"),
    ],
)
def test_read_settings_refuses_what_mails_can_not_be_sent_by(name: str, value: str) -> None:
    with pytest.raises(SettingUnreadable, match=f"^--{name.replace('_', '-')} "):
        read_settings({**MAILS, name: value}, {})
    with pytest.raises(SettingUnreadable, match=f"^(--mail-from .or )?{ENVIRONMENT[name]}"):
        read_settings({}, {ENVIRONMENT[key]: one for key, one in {**MAILS, name: value}.items()})
