#!/usr/bin/python3
"""Fields of services against Scapy, an implementation that is not ours.

Source: Scapy (Debian python3-scapy), contrib.automotive.uds and contrib.automotive.kwp: 1,000 seeded random questions of
each of the two, of every service and sub-function that their layers know, each with an answer. Scapy writes the packets,
cuts them into ISO 15765-2 frames, and reads them again: what it then says of each field is what `taretrace list exchanges`
must say, in that order and with nothing more. What Scapy leaves as one run of bytes (lists of trouble codes, dynamic
definitions) is taken apart here by hand, as ISO 14229-1:2020 has them (from memory).
Then lists of trouble codes written out by hand: ISO 15031-6, SAE J2012 text, ISO 14229-1 D.2 status bits.
"""
import sys

sys.dont_write_bytecode = True
import itertools
import logging
import pathlib
import random

logging.getLogger("scapy").setLevel(logging.ERROR)
from scapy.contrib.automotive import kwp, uds
from scapy.contrib.isotp import ISOTP
from scapy.fields import ConditionalField, FieldLenField, FieldListField, StrField, StrFixedLenField, StrLenField
from scapy.packet import Raw

from common import Checks, parse_json, pcap_bytes, run, temporary

REQUEST, RESPONSE = 0x5E3, 0x6C5
PACKETS = 1040
BATCH = 250

# Layers by the name they share: NAME asks, NAMEPR answers.
UDS_NAMES = ("DSC ER SA CC AUTH TP ATP SDT CDTCS ROE LC RDBI RMBA RSDBI RDBPI DDDI WDBI WMBA CDTCI RDTCI RC RD RU TD RTE "
             "RFT IOCBI").split()
KWP_NAMES = ("SDS ER SA IOCBLI DNMT ENMT TP CDTCS ROE RDBLI WDBLI RDBI RMBA DDLI WDBI WMBA CDI RSODTC RECUI SRBLI STRBLI "
             "RRRBLI RD RU TD RTE").split()

# Values of the field that says which sub-function it is; others are random.
CHOICES = {
    ("UDS_ER", "resetType"): range(1, 6), ("UDS_AUTH", "subFunction"): range(0, 9), ("UDS_CC", "controlType"): range(0, 4),
    ("UDS_SA", "securityAccessType"): range(1, 0x7F), ("UDS_DSC", "diagnosticSessionType"): range(1, 0x7F),
    ("UDS_TP", "subFunction"): [0], ("UDS_TPPR", "zeroSubFunction"): [0], ("UDS_ATP", "timingParameterAccessType"): range(1, 5),
    ("UDS_CDTCS", "DTCSettingType"): range(1, 3), ("UDS_ROE", "eventType"): range(0, 0x7F),
    ("UDS_LC", "linkControlType"): range(1, 4), ("UDS_DDDI", "subFunction"): range(1, 4),
    ("UDS_RC", "routineControlType"): range(1, 4), ("UDS_RFT", "modeOfOperation"): range(1, 6),
    # 03 has no more than its sub-function in the standard; Scapy writes a code and a record number.
    ("UDS_RDTCI", "reportType"): [number for number in range(1, 0x16) if number != 3],
    ("KWP_SA", "accessMode"): range(1, 256), ("KWP_TP", "responseRequired"): [1], ("KWP_DNMT", "responseRequired"): [1],
    ("KWP_ENMT", "responseRequired"): [1], ("KWP_CDTCS", "responseRequired"): [1], ("KWP_ROE", "responseRequired"): [1],
}

TURNS = {} # each in turn, so that none is left out

# Scapy's names where ours are another: its own words, or one name for several things.
NAMES = {
    "memorySizeLen": "memorySizeLength", "memoryAddressLen": "memoryAddressLength",
    **{f"memoryAddress{i}": "memoryAddress" for i in range(1, 5)}, **{f"memorySize{i}": "memorySize" for i in range(1, 5)},
    ("UDS_AUTH", "subFunction"): "authenticationTask", ("UDS_AUTHPR", "subFunction"): "authenticationTask",
    "returnValue": "authenticationReturnParameter", ("UDS_TP", "subFunction"): "zeroSubFunction",
    ("UDS_DDDI", "subFunction"): "definitionType", ("UDS_DDDIPR", "subFunction"): "definitionType",
    "identifiers": "dataIdentifier", "baudrateIdentifier": "linkControlModeIdentifier",
    ("UDS_RSDBIPR", "dataRecord"): "scalingByteExtension",
    "furtherPeriodicDataIdentifier": "periodicDataIdentifier", "controlOptionRecord": "inputOutputControlParameter",
    "controlEnableMaskRecord": "controlStateAndMask",
    "DTCExtendedDataRecordNumber": "DTCExtDataRecordNumber",
    ("UDS_RDPR", "memorySizeLen"): "lengthFormatIdentifier", ("UDS_RUPR", "memorySizeLen"): "lengthFormatIdentifier",
    ("KWP_IOCBLI", "localIdentifier"): "inputOutputLocalIdentifier",
    ("KWP_IOCBLIPR", "localIdentifier"): "inputOutputLocalIdentifier",
    ("KWP_RDBI", "identifier"): "recordCommonIdentifier", ("KWP_RDBIPR", "identifier"): "recordCommonIdentifier",
    ("KWP_WDBI", "identifier"): "recordCommonIdentifier", ("KWP_WDBIPR", "identifier"): "recordCommonIdentifier",
    ("KWP_RECUI", "localIdentifier"): "identificationOption", ("KWP_RECUIPR", "localIdentifier"): "identificationOption",
    "dynamicallyDefineLocalIdentifier": "dynamicallyDefinedLocalIdentifier", "compression": "compressionMethod",
    "encryption": "encryptingMethod", "uncompressedMemorySize": "unCompressedMemorySize",
    "transferDataRequestParameter": "transferRequestParameterRecord",
    ("KWP_TDPR", "transferDataRequestParameter"): "transferResponseParameterRecord",
    ("KWP_RTEPR", "transferDataRequestParameter"): "transferResponseParameterRecord",
}

# What follows behind the last field that Scapy knows.
TAILS = {"UDS_RDBIPR": "dataRecord", "UDS_WDBI": "dataRecord", "UDS_RC": "routineControlOptionRecord",
         "UDS_RCPR": "routineStatusRecord", "KWP_RDBLIPR": "dataRecord",
         "KWP_WDBLI": "dataRecord", "KWP_RDBIPR": "dataRecord", "KWP_WDBI": "dataRecord", "KWP_RECUIPR": "dataRecord",
         "KWP_SRBLI": "routineParameter", "KWP_SRBLIPR": "routineStatus", "KWP_STRBLI": "routineParameter",
         "KWP_STRBLIPR": "routineStatus", "KWP_RRRBLIPR": "routineStatus", "KWP_RSODTCPR": "dataRecord",
         "KWP_ERPR": "resetStatus", "KWP_SDSPR": "dataRecord", "KWP_SAPR": "securityAccessStatus"}
MASKED = {"securitySeed", "securityKey", "seed", "key"}


DIALECTS = ("iso14229", "iso14230")


def take(data, *widths):
    """Numbers of these widths from the front, over and over."""
    at, turns = 0, []
    while at < len(data):
        turn = []
        for width in widths:
            turn.append(int.from_bytes(data[at:at + width], "big"))
            at += width
        turns.append(turn)
    return turns


def codes(chance, *widths):
    """A list as long as whole entries need."""
    return chance.randbytes(sum(widths) * chance.choice([0, 1, 1, 2, 3, 6]))


def random_value(chance, field, name):
    if isinstance(field, FieldListField):
        return [chance.randrange(0x10000) for _ in range(chance.choice([1, 1, 1, 2, 5]))]
    if isinstance(field, StrFixedLenField):
        return chance.randbytes(16)
    if isinstance(field, (StrLenField, StrField)):
        return chance.randbytes(chance.choice([0, 1, 2, 3, 5, 17, 40]))
    if name in ("memorySizeLen", "memoryAddressLen"):
        return chance.randint(1, 4)
    return chance.randrange(1 << round(field.sz * 8))


def special_value(chance, kind, name, packet):
    """Runs of bytes that have a form of their own; None for all others."""
    report = getattr(packet, "reportType", None)
    if kind == "UDS_DSCPR" and name == "sessionParameterRecord":
        return chance.randbytes(chance.choice([0, 4]))
    if name == "DTCAndStatusRecord":
        return codes(chance, 3, 1)
    if kind == "UDS_RDTCIPR" and name == "dataRecord":
        return {3: codes(chance, 3, 1), 4: chance.randbytes(chance.choice([4, 6, 9])),
                5: chance.randbytes(chance.choice([1, 6, 9])), 6: chance.randbytes(chance.choice([4, 5, 9])),
                0x10: chance.randbytes(chance.choice([4, 5, 9])), 0x14: codes(chance, 3, 1),
                8: b"\xff" + codes(chance, 1, 1, 3, 1), 9: b"\xff" + codes(chance, 1, 1, 3, 1)}[report]
    if kind == "UDS_DDDI" and name == "dataRecord":
        identifier = chance.randbytes(2)
        if packet.subFunction == 1:
            return identifier + codes(chance, 2, 1, 1)
        if packet.subFunction == 2:
            return identifier + b"\x24" + codes(chance, 4, 2)
        return chance.choice([b"", identifier])
    if kind == "UDS_ROE" and name == "eventType":
        return chance.randrange(0x7F)
    if name == "filePathAndName":
        return bytes(chance.choices(range(0x20, 0x7F), k=chance.choice([0, 1, 5, 40])))
    if name in ("fileSizeUnCompressed", "fileSizeCompressed", "fileSizeUncompressedOrDirInfoLength"):
        return chance.randbytes(3) # both have the length that one field tells
    return None


def build(chance, module, layer, given):
    """A packet of this layer with random fields; those in `given` are as given. Its service too, and its bytes."""
    top = module.UDS if module is uds else module.KWP
    kind, packet = layer.__name__, layer()
    for field in layer.fields_desc:
        inner = field.fld if isinstance(field, ConditionalField) else field
        if isinstance(field, ConditionalField) and not field.cond(packet):
            continue
        if isinstance(inner, FieldLenField):
            continue
        name = inner.name
        if name in given:
            value = given[name]
        elif (kind, name) in CHOICES:
            value = TURNS.setdefault((kind, name), itertools.cycle(CHOICES[kind, name])).__next__()
        else:
            value = special_value(chance, kind, name, packet)
            if value is None:
                value = random_value(chance, inner, name)
        setattr(packet, name, value)
    whole = top() / packet
    if kind in TAILS and not (kind == "KWP_SAPR" and packet.accessMode % 2):
        whole = whole / Raw(chance.randbytes(chance.choice([1, 2, 7, 30])))
    return top(bytes(whole)), bytes(whole)


def echoed(question, request):
    """What the answer repeats: fields of the same name, and those that only differ in it."""
    values = {field.name: question.payload.getfieldval(field.name) for field in question.payload.fields_desc}
    kind = type(question.payload).__name__
    if kind == "UDS_RDBI":
        values["dataIdentifier"] = values["identifiers"][0]
    if kind == "UDS_IOCBI":
        values["controlStatusRecord"] = bytes([values["controlOptionRecord"], 0xA5])
    if kind == "UDS_DDDI" and len(request) >= 4:
        values["dynamicallyDefinedDataIdentifier"] = int.from_bytes(request[2:4], "big")
    for name in ("dataRecord", "controlState", "transferRequestParameterRecord", "eventTypeRecord", "eventWindowTime",
                 "transferDataRequestParameter", "algorithmIndicator", "compressionMethod", "encryptingMethod",
                 "fileSizeCompressed"):
        values.pop(name, None)
    return values


def expected(packet, raw):
    """[(name, value)] by Scapy's reading, in the order of the bytes. Bytes are hex; a masked field is None."""
    kind, fields = type(packet).__name__, []
    if kind in ("Raw", "NoPayload"):
        return [("dataRecord", raw[1:].hex())] if len(raw) > 1 else []
    for field in packet.fields_desc:
        if isinstance(field, ConditionalField) and not field.cond(packet):
            continue
        fields.append((field.name, packet.getfieldval(field.name)))
    values, out = dict(fields), []
    for name, value in fields:
        ours = NAMES.get((kind, name), NAMES.get(name, name))
        if kind == "UDS_RDTCI" and values["reportType"] == 5 and name == "DTCSnapshotRecordNumber":
            ours = "DTCStoredDataRecordNumber" # its name since the edition of 2013
        if name in MASKED:
            out += [(ours, None)] if value else []
        elif name.endswith("HighByte") or name.endswith("MiddleByte"):
            continue
        elif name.endswith("LowByte"):
            stem = name[:-len("LowByte")]
            number = values[stem + "HighByte"] << 16 | values[stem + "MiddleByte"] << 8 | values[name]
            out.append(({"baudrate": "linkRecord"}.get(stem, stem), number))
        elif kind == "UDS_CC" and name.startswith("communicationType"):
            if name[-1] == "2": # Scapy's first field are the upper bits; the byte is what it is
                byte = raw[2]
                out += [("subnetNumber", byte >> 4), ("reserved", byte >> 2 & 3), ("communicationType", byte & 3)]
        elif kind in ("UDS_SDT", "UDS_SDTPR") and name in (
                "requestMessage", "ISOSAEReservedBackwardsCompatibility", "preEstablishedKeyUsed", "encryptedMessage",
                "signedMessage", "signedResponseRequested", "ISOSAEReserved"):
            if name == "ISOSAEReserved":
                out.append(("administrativeParameter", int.from_bytes(raw[1:3], "big")))
        elif name == "sessionParameterRecord":
            out += [("P2Server_max", value[0] << 8 | value[1]), ("P2*Server_max", value[2] << 8 | value[3])] if value else []
        elif name == "DTCAndStatusRecord":
            for code, status in take(value, 3, 1):
                out += [("DTC", code), ("statusOfDTC", status)]
        elif kind == "UDS_RDTCIPR" and name == "dataRecord":
            out += codes_by_hand(values["reportType"], value)
        elif kind == "UDS_DDDI" and name == "dataRecord":
            out += definition_by_hand(values["subFunction"], value)
        elif kind == "UDS_DDDIPR" and name == "dynamicallyDefinedDataIdentifier" and len(raw) < 4:
            continue
        elif name == "controlStatusRecord":
            out += [("inputOutputControlParameter", value[0]), ("controlStateAndMask", value[1:].hex())]
        elif name == "furtherPeriodicDataIdentifier":
            out += [(ours, byte) for byte in value]
        elif isinstance(value, list):
            out += [(ours, number) for number in value]
        elif name == "filePathAndName":
            out += [(ours, value.decode("latin-1"))] if value else []
        elif isinstance(value, (bytes, str)):
            value = value if isinstance(value, bytes) else value.encode("latin-1")
            out += [(ours, value.hex())] if value else []
        elif isinstance(value, Raw):
            out.append((ours, bytes(value).hex()))
        else:
            out.append((ours, value))
    tail = bytes(packet.payload)
    if tail:
        out.append((TAILS[kind], tail.hex()))
    return out


def codes_by_hand(report, data):
    """ISO 14229-1:2020, ReadDTCInformation (from memory): what Scapy leaves as dataRecord."""
    out = []
    if report in (3, 0x14):
        for code, number in take(data, 3, 1):
            out += [("DTC", code), ("DTCSnapshotRecordNumber" if report == 3 else "DTCFaultDetectionCounter", number)]
    elif report in (8, 9):
        out.append(("DTCStatusAvailabilityMask", data[0]))
        for severity, unit, code, status in take(data[1:], 1, 1, 3, 1):
            out += [("DTCSeverity", severity), ("DTCFunctionalUnit", unit), ("DTC", code), ("statusOfDTC", status)]
    else:
        at = 0
        if report == 5:
            out.append(("DTCStoredDataRecordNumber", data[0]))
            at = 1
        stem = {4: "DTCSnapshotRecord", 5: "DTCStoredDataRecord"}.get(report, "DTCExtDataRecord")
        if len(data) > at:
            out += [("DTC", int.from_bytes(data[at:at + 3], "big")), ("statusOfDTC", data[at + 3])]
            at += 4
        if len(data) > at and report != 5:
            out.append((stem + "Number", data[at]))
            at += 1
        if len(data) > at and report in (4, 5):
            out.append((stem + "NumberOfIdentifiers", data[at]))
            at += 1
        if len(data) > at:
            out.append((stem, data[at:].hex()))
    return out


def definition_by_hand(kind, data):
    """ISO 14229-1:2020, DynamicallyDefineDataIdentifier (from memory)."""
    out = [("dynamicallyDefinedDataIdentifier", int.from_bytes(data[:2], "big"))] if data else []
    if kind == 1:
        for source, position, size in take(data[2:], 2, 1, 1):
            out += [("sourceDataIdentifier", source), ("positionInSourceDataRecord", position), ("memorySize", size)]
    elif kind == 2:
        out += [("memorySizeLength", data[2] >> 4), ("memoryAddressLength", data[2] & 15)]
        for address, size in take(data[3:], 4, 2):
            out += [("memoryAddress", address), ("memorySize", size)]
    return out


def frames_of(start, conversations):
    """ISO 15765-2 frames by Scapy, a millisecond apart; the receiver's flow control behind each first frame."""
    frames, time = [], start
    for messages in conversations:
        for can_id, payload in messages:
            for number, packet in enumerate(ISOTP(payload, tx_id=can_id, rx_id=can_id).fragment()):
                frames.append((time, can_id, bytes(packet.data)))
                time += 10**6
                if number == 0 and bytes(packet.data)[0] >> 4 == 1:
                    frames.append((time, RESPONSE if can_id == REQUEST else REQUEST, bytes([0x30, 0, 0])))
                    time += 10**6
        time += 10**8
    return frames


def listed(folder, conversations, dialect):
    trace, definition = pathlib.Path(folder) / "trace.pcap", pathlib.Path(folder) / "module.yaml"
    trace.write_bytes(pcap_bytes(frames_of(10**18, conversations)))
    definition.write_text("taretrace: 1\nmodule:\n  name: unit\n  services: %s\n  address: {format: normal, request: "
                          "0x%03X, response: 0x%03X}\n  written by: {who: test, on what evidence: invented}\n"
                          % (dialect, REQUEST, RESPONSE), encoding="utf-8")
    result = run("list", "exchanges", trace, "--definitions", definition, "--format", "jsonl")
    if result.returncode:
        raise SystemExit(f"list exchanges ended {result.returncode}: {result.stderr.decode()[:1000]}")
    return [parse_json(line) for line in result.stdout.decode().splitlines()]


def pairs_of(chance, module, names, prefix, count):
    """[(question, its bytes, answer, its bytes)]: every layer in turn."""
    out = []
    for turn in range(count):
        ask = getattr(module, prefix + names[turn % len(names)])
        reply = getattr(module, ask.__name__ + "PR")
        question, request = build(chance, module, ask, {})
        answer, response = build(chance, module, reply, echoed(question, request))
        if ask.__name__ == "UDS_DDDI" and len(request) == 2:
            response = response[:2] # clears all: there is no identifier to repeat
            answer = module.UDS(response)
        out.append((question, request, answer, response))
    return out


def check_scapy(checks, module, names, prefix, dialect):
    chance = random.Random(14229)
    pairs = pairs_of(chance, module, names, prefix, PACKETS)
    for start in range(0, len(pairs), BATCH):
        batch = pairs[start:start + BATCH]
        with temporary() as folder:
            rows = listed(folder, [[(REQUEST, p[1]), (RESPONSE, p[3])] for p in batch], dialect)
        if not checks.equal(len(rows), len(batch), f"{dialect}: exchanges"):
            continue
        for row, (question, request, answer, response) in zip(rows, batch):
            where = f"{dialect} {type(question.payload).__name__} {request.hex()} / {response.hex()}"
            checks.equal(row["state"], "answered", where)
            for side, packet, raw in (("request", question, request), ("answer", answer, response)):
                got = [(field["name"], field["value"]) for field in row["fields"] if field["kind"] == side]
                checks.equal(got, expected(packet.payload, raw), f"{where}: {side}")


def check_refusals(checks):
    """Every NRC that Scapy names, of both dialects: number behind 7F and the service."""
    for module, layer, dialect in ((uds, uds.UDS_NR, "iso14229"), (kwp, kwp.KWP_NR, "iso14230"))[:len(DIALECTS)]:
        numbers = [number for number in layer.negativeResponseCodes if number not in (0, 0x78)]
        conversations = [[(REQUEST, b"\x11\x01"), (RESPONSE, bytes([0x7F, 0x11, number]))] for number in numbers]
        with temporary() as folder:
            rows = listed(folder, conversations, dialect)
        for row, number in zip(rows, numbers):
            checks.equal([(f["name"], f["value"]) for f in row["fields"] if f["kind"] == "answer"],
                         [("requestServiceId", 0x11), ("negativeResponseCode", number)], f"{dialect} refusal {number:#x}")
        checks.equal(len(rows), len(numbers), f"{dialect}: refusals")


# By hand. Text of a code: ISO 15031-6 / SAE J2012, rows of published examples; status bits: ISO 14229-1:2020 D.2.
BY_HAND = [
    ("iso14229", "1902ff", "5902ff80a0092f9a425450", [
        ("reportType", 2, "reportDTCByStatusMask"),
        ("DTCStatusAvailabilityMask", 255, "testFailed testFailedThisOperationCycle pendingDTC confirmedDTC "
         "testNotCompletedSinceLastClear testFailedSinceLastClear testNotCompletedThisOperationCycle "
         "warningIndicatorRequested"),
        ("DTC", 0x80A009, "B00A0-09"),
        ("statusOfDTC", 0x2F, "testFailed testFailedThisOperationCycle pendingDTC confirmedDTC testFailedSinceLastClear"),
        ("DTC", 0x9A4254, "B1A42-54"),
        ("statusOfDTC", 0x50, "testNotCompletedSinceLastClear testNotCompletedThisOperationCycle")]),
    ("iso14229", "1901ff", "5901ff010102", [
        ("reportType", 1, "reportNumberOfDTCByStatusMask"), ("DTCStatusAvailabilityMask", 255, None),
        ("DTCFormatIdentifier", 1, "ISO_14229-1_DTCFormat"), ("DTCCount", 258, None)]),
    ("iso14229", "190a", "590a7bc1000000a5b6c709", [
        ("reportType", 10, "reportSupportedDTC"), ("DTCStatusAvailabilityMask", 0x7B, None),
        ("DTC", 0xC10000, "U0100-00"), ("statusOfDTC", 0, ""),
        ("DTC", 0xA5B6C7, "B25B6-C7"), ("statusOfDTC", 9, "testFailed confirmedDTC")]),
    ("iso14229", "1902ff", "5902ff80a009", [
        ("reportType", 2, None), ("DTCStatusAvailabilityMask", 255, None), ("DTC", 0x80A009, "B00A0-09")]),
    ("iso14230", "1800ff00", "580280a0600133e0", [
        ("numberOfDTC", 2, None), ("DTC", 0x80A0, "B00A0"), ("statusOfDTC", 0x60, None),
        ("DTC", 0x0133, "P0133"), ("statusOfDTC", 0xE0, None)]),
    ("iso14229", "03", "43010133", [("numberOfDTC", 1, None), ("DTC", 0x0133, "P0133")]),
    # The worked example of 49 CFR 565.15 table V, then with another check digit.
    ("iso14229", "0902", "490201" + b"1G4AH59H45G118341".hex(), [
        ("infoType", 2, "VIN"), ("numberOfDataItems", 1, None), ("VIN", "1G4AH59H45G118341", None)]),
    ("iso14229", "22f190", "62f190" + b"1G4AH59H45G118341".hex(), [
        ("dataIdentifier", 0xF190, "VIN"), ("dataRecord", "1G4AH59H45G118341", None)]),
]


def check_by_hand(checks):
    for dialect in DIALECTS:
        cases = [case for case in BY_HAND if case[0] == dialect]
        with temporary() as folder:
            rows = listed(folder, [[(REQUEST, bytes.fromhex(ask)), (RESPONSE, bytes.fromhex(said))]
                                   for _, ask, said, _ in cases], dialect)
        checks.equal(len(rows), len(cases), "by hand: exchanges")
        for row, (_, ask, said, fields) in zip(rows, cases):
            got = [field for field in row["fields"] if field["kind"] == "answer"]
            checks.equal([(f["name"], f["value"]) for f in got], [(n, v) for n, v, _ in fields], f"{ask} / {said}")
            for field, (name, _, text) in zip(got, fields):
                if text is not None:
                    checks.equal(field["text"], text, f"{ask} / {said}: text of {name}")
                checks.equal(field["remark"], None, f"{ask} / {said}: remark of {name}")
    with temporary() as folder:
        rows = listed(folder, [[(REQUEST, b"\x09\x02"), (RESPONSE, b"\x49\x02\x01" + b"1G4AH59H55G118341")],
                               [(REQUEST, bytes.fromhex("3101e201")), (RESPONSE, bytes.fromhex("7f3133"))],
                               [(REQUEST, bytes.fromhex("275f")), (RESPONSE, bytes.fromhex("675f1234"))],
                               [(REQUEST, bytes.fromhex("1004")), (RESPONSE, bytes.fromhex("5004"))]], "iso14229")
    checks.that("should be 4" in (rows[0]["fields"][-1]["remark"] or ""), "no remark on a wrong check digit")
    checks.equal([bool(row["warning"]) for row in rows], [False, True, True, True], "warnings")
    checks.that(rows[1]["warning"].startswith("DANGER") and rows[2]["warning"].startswith("DANGER"), "pyrotechnics")
    checks.that("1234" not in str(rows[2]["fields"]), "a seed is shown")


def main():
    checks = Checks()
    check_scapy(checks, uds, UDS_NAMES, "UDS_", "iso14229")
    if "iso14230" in DIALECTS:
        check_scapy(checks, kwp, KWP_NAMES, "KWP_", "iso14230")
    check_refusals(checks)
    check_by_hand(checks)
    checks.finish()


main()
