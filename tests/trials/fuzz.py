"""Every operation of openapi.json with examples, with what its schema's bounds allow and forbid, with random requests, and in the order
that its links give, for SECONDS_EACH (90) by Schemathesis with all its checks. ROLES (proprietor) and SEEDS (1): `ROLES=all SEEDS=5`
is each role with five seeds. What is found is printed with the request that finds it."""

import os
import pathlib
import subprocess
import sys

from ground import ROOT, Demonstration, Trial, folder

SECONDS = int(os.environ.get("SECONDS_EACH", "90"))
ROLES = os.environ.get("ROLES", "proprietor").replace("all", "proprietor fitter seller bookkeeper website").split()
SEEDS = int(os.environ.get("SEEDS", "1"))
VERSION = "4.32.5"
# They take away the key that is used.
LEFT_OUT = ("rotate_key", "revoke_key")
# Its rule, that nobody but a maker reads what he made, is not that of one firm.
CHECKS_LEFT_OUT = "object_level_authorization"

trial = Trial("fuzz")
tools, settings = ROOT / "target/trials", pathlib.Path(__file__).parent / "schemathesis.toml"
if not (tools / "bin/st").exists():
    subprocess.run([sys.executable, "-m", "venv", tools], check=True)
    subprocess.run([tools / "bin/pip", "install", "--quiet", "--disable-pip-version-check", f"schemathesis=={VERSION}"], check=True)
left_out = [part for name in LEFT_OUT for part in ("--exclude-operation-id", name)]
for role, seed in [(role, trial.seed + n) for role in ROLES for n in range(SEEDS)]:
    with folder() as path:
        shop = Demonstration(path)
        command = [tools / "bin/st", "--config-file", settings, "run", f"http://127.0.0.1:{shop.port}/openapi.json",
                   "-H", f"Authorization: Bearer {shop.keys[role]}", *left_out, "--phases", "examples,coverage,fuzzing,stateful", "--checks", "all",
                   "--exclude-checks", CHECKS_LEFT_OUT, "--max-time", SECONDS, "--seed", seed, "--workers", "2", "--continue-on-failure",
                   "--request-timeout", "60", "--warnings", "off", "--no-color"]
        said = subprocess.run(list(map(str, command)), capture_output=True, text=True, cwd=path).stdout.splitlines()
        shop.stop()
        cases = next((line.strip() for line in said if line.strip()[:1].isdigit() and " generated" in line), "none")
        # Errors of the generator itself are no failures of the service.
        failures = [line.strip() for line in said if line.startswith("- ST")]
        trial.figure(f"{role}, seed {seed}", cases, "generated" in cases, "some")
        trial.figure("   failures", len(failures), not failures, f"0: {failures}")
        if failures:
            start = next((n for n, line in enumerate(said) if "FAILURES" in line), 0)
            print("\n".join(line[:1000] for line in said[start:start + 120]))
        panics = shop.log.read_text().count("panicked")
        trial.figure("   panics", panics, panics == 0, "0")
trial.end()
