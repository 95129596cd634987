"""Every operation of openapi.json with examples, with what its schema's bounds allow and forbid, and with random requests, for SECONDS
(90), by Schemathesis. What it finds is printed with the request that finds it."""

import os
import subprocess
import sys

from ground import ROOT, Demonstration, Trial, folder

SECONDS = int(os.environ.get("SECONDS_EACH", "90"))
VERSION = "4.32.5"
# Held: no failure inside, nothing that the document does not say, no method that it does not name, no key that is not needed.
CHECKS = ("not_a_server_error", "status_code_conformance", "content_type_conformance", "response_headers_conformance", "response_schema_conformance",
          "unsupported_method", "allow_header_conformance", "ignored_auth", "missing_required_header")
# They take away the key that is used.
LEFT_OUT = ("rotate_key", "revoke_key")

trial = Trial("fuzz")
tools = ROOT / "target/trials"
if not (tools / "bin/st").exists():
    subprocess.run([sys.executable, "-m", "venv", tools], check=True)
    subprocess.run([tools / "bin/pip", "install", "--quiet", "--disable-pip-version-check", f"schemathesis=={VERSION}"], check=True)
with folder() as path:
    shop = Demonstration(path)
    left_out = [part for name in LEFT_OUT for part in ("--exclude-operation-id", name)]
    command = [tools / "bin/st", "run", f"http://127.0.0.1:{shop.port}/openapi.json", "-H", f"Authorization: Bearer {shop.keys['proprietor']}", *left_out,
               "--phases", "examples,coverage,fuzzing", "--checks", ",".join(CHECKS), "--max-time", str(SECONDS), "--seed", str(trial.seed),
               "--workers", "2", "--continue-on-failure", "--request-timeout", "60", "--warnings", "off", "--no-color"]
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, cwd=path)
    said = done.stdout.splitlines()
    cases = next((line.strip() for line in said if "generated" in line), "none")
    # Errors of the generator itself are no failures of the service.
    failures = [line.strip() for line in said if line.startswith("- ST")]
    trial.figure("cases", cases, "generated" in cases, "some")
    trial.figure("failures", len(failures), not failures, f"0: {failures}")
    if failures:
        start = next((n for n, line in enumerate(said) if "FAILURES" in line), 0)
        print("\n".join(line[:1000] for line in said[start:start + 120]))
    panics = shop.log.read_text().count("panicked")
    trial.figure("panics", panics, panics == 0, "0")
    shop.stop()
trial.end()
