"""Plans, starts and follows a run over HTTP, and asks the person at the tank what the run asks.
    python3 over_http.py http://127.0.0.1:8093 bench nickel "1 um"

Python's own library is enough. TANKSIDE_TOKEN is sent where it is set. What else there is, and every
key of every answer, stands in /api/v1/openapi.json. None of this is a safety interlock: stay within
reach of the supply's own switch.
"""

import http.client
import json
import os
import sys
import time
import urllib.error
import urllib.request
import uuid

BASE, STATION, TANK, THICKNESS = sys.argv[1:5]
BY = os.environ.get("USER") or "somebody"
HEADERS = {"Content-Type": "application/json"}
if token := os.environ.get("TANKSIDE_TOKEN"):
    HEADERS["Authorization"] = f"Bearer {token}"


def call(path, body=None, headers=None):
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(BASE + path, data, HEADERS | (headers or {}))
    try:
        return urllib.request.urlopen(request, timeout=30)
    except urllib.error.HTTPError as error:  # a problem: what is wrong and how to mend it
        problem = json.load(error)
        sys.exit("\n".join([problem["detail"], *problem.get("errors", [])]))


def told(path, body=None, headers=None):
    with call(path, body, headers) as answer:
        return json.load(answer)


def events():
    """Each event once and in order, whatever the connection does: after the last that was seen comes the next."""
    last = {}
    while True:
        try:
            with call("/api/v1/events", headers=last) as stream:
                event = {}
                for line in stream:
                    key, _, value = line.decode().rstrip("\r\n").partition(": ")
                    if key:
                        event[key] = value
                        continue
                    if "id" in event:
                        last = {"Last-Event-ID": event["id"]}
                        yield event["event"], json.loads(event["data"])
                    event = {}
        except (OSError, http.client.HTTPException):
            pass
        time.sleep(1)


disc = {"count": 6, "disc": {"diameter": "34 mm", "thickness": "1 mm"}}
order = {"tank": TANK, "part": [disc], "end": {"thickness": THICKNESS}, "turn": {"faces": 2}}
print(told("/api/v1/plan", {"request": order, "station": STATION})["text"])
input("Hung, and the supply's switch within reach? Enter starts it. ")
happenings = events()
next(happenings)  # "begin": from here on nothing is missed
start = {"by": BY, "request": order}
run = told(f"/api/v1/stations/{STATION}/start", start, {"Idempotency-Key": str(uuid.uuid4())})["run"]
for kind, what in happenings:
    if what["run"] != run:
        continue
    print(what["at"], what["text"], flush=True)
    if kind == "event" and what["kind"] == "ended":
        break
    if kind == "event" and what["kind"] == "asked":
        question = told(f"/api/v1/stations/{STATION}")["run"]["question"]
        if question is None:  # somebody else has answered it
            continue
        word = input("done or no? ")  # with run and question it never answers the next question
        body = {"by": BY, "answer": word, "run": run, "question": question}
        print(told(f"/api/v1/stations/{STATION}/answer", body)["said"])
print(json.dumps(told(f"/api/v1/runs/{run}/record.json")["steps"][0]["run"]["thickness"], indent=1))
