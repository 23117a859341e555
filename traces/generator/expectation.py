"""What a person expects of a job: labels turned into frame numbers by the generator's own count."""

import re

from .timeline import duration

DECIDING_KEYS = ("lowest", "highest", "unit")
STEP_KEYS = {"step", "answer", "attempt", "part", "deciding", "from", "to", "reason contains", *DECIDING_KEYS}
TOP_KEYS = {"exit", "parts", "attempts", "answer", "steps"}


def moment(timeline, text):
    """A time of the story: '25 s', a labelled mark, or the last frame of a labelled answer."""
    if text in timeline.moments:
        return timeline.moments[text]
    if text in timeline.labels:
        return timeline.labels[text][-1].last().time
    return duration(text)


def pick(timeline, label, which):
    """The messages of a label that `which` leaves: None (all), a number from 1, 'after X' or 'before X'."""
    if label not in timeline.labels:
        raise ValueError(f"no message is labelled '{label}'")
    messages = timeline.labels[label]
    if which is None:
        return messages
    word, _, rest = which.partition(" ")
    if word == "after":
        return [message for message in messages if message.last().time > moment(timeline, rest)]
    if word == "before":
        return [message for message in messages if message.last().time < moment(timeline, rest)]
    number = int(which)
    return messages[number - 1:number] if number > 0 else messages[number:][:1]


def frame_number(timeline, text):
    """'empty.first', 'empty[3].last', 'lit[after press].first' or a plain number."""
    if text.isdigit():
        return int(text)
    match = re.fullmatch(r"([^\[\]]+?)(?:\[([^\]]+)\])?\.(first|last)", text)
    if not match:
        raise ValueError(f"'{text}' is no frame: write LABEL.first, LABEL[2].last, LABEL[after X].first")
    messages = pick(timeline, match[1], match[2])
    if not messages:
        raise ValueError(f"'{text}' names no message")
    return (messages[0].first() if match[3] == "first" else messages[-1].last()).number


def resolve_step(timeline, step):
    unknown = step.keys() - STEP_KEYS
    if unknown:
        raise ValueError(f"unknown key in an expected step: {', '.join(sorted(unknown))}")
    result = {key: int(step[key]) for key in ("part", "attempt") if key in step}
    result.update(step=step["step"], answer=step["answer"])
    deciding = {key: step[key] for key in DECIDING_KEYS if key in step}
    label = step.get("deciding")
    if label == "none":
        result["deciding"] = None
    elif label or deciding or "from" in step:
        deciding["first_frame"] = frame_number(timeline, step.get("from", f"{label}.first"))
        deciding["last_frame"] = frame_number(timeline, step.get("to", f"{label}.last"))
        result["deciding"] = deciding
    if "reason contains" in step:
        words = step["reason contains"]
        result["reason_contains"] = words if isinstance(words, list) else [words]
    return result


def resolve(timeline, expect):
    """The expectation as plain data, ready for JSON."""
    unknown = expect.keys() - TOP_KEYS
    if unknown:
        raise ValueError(f"unknown key in expect: {', '.join(sorted(unknown))}")
    result = {"exit": int(expect["exit"])}
    if "parts" in expect:
        result["parts"] = int(expect["parts"])
    if "attempts" in expect:
        counts = expect["attempts"]
        result["attempts"] = [int(count) for count in counts] if isinstance(counts, list) else int(counts)
    if "answer" in expect:
        result["answer"] = expect["answer"]
    result["steps"] = [resolve_step(timeline, dict(step)) for step in expect["steps"]]
    return result
