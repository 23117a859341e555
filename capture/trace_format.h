/*
 * The trace file format, the one header that capture/ and decoder/ share (D 4.2, 5.1): classic pcap, link type 227.
 * Layout after tcpdump.org, "LINKTYPE_CAN_SOCKETCAN", and man pcap-savefile(5).
 *
 *   file header, 24 bytes, byte order of the writer:   magic u32 | 2 u16 | 4 u16 | 0 i32 | 0 u32 | snaplen u32 | linktype u32
 *   record header, 16 bytes:                            seconds u32 | fraction u32 | captured length u32 | original length u32
 *   classic CAN packet, 16 bytes:                       id u32 big-endian | length u8 | flags u8 | reserved u8 | len8_dlc u8 | data[8]
 *   CAN FD packet, 72 bytes:                            the same with data[64], flags FDF
 *
 * Read too, never written: link types 113 and 276, a cooked header of 16 or 20 bytes before the packet (tcpdump.org,
 * "LINKTYPE_LINUX_SLL", "LINKTYPE_LINUX_SLL2"), big-endian but for the CAN id behind it, which is in the writer's order.
 */
#ifndef TT_TRACE_FORMAT_H
#define TT_TRACE_FORMAT_H

#define TRACE_MAGIC_NANO 0xA1B23C4Du
#define TRACE_MAGIC_MICRO 0xA1B2C3D4u
#define TRACE_FILE_HEADER 24u
#define TRACE_RECORD_HEADER 16u
#define TRACE_LINKTYPE_CAN 227u
#define TRACE_LINKTYPE_SLL 113u
#define TRACE_LINKTYPE_SLL2 276u
#define TRACE_SLL_HEADER 16u
#define TRACE_SLL2_HEADER 20u
#define TRACE_PROTOCOL_CAN 0x000Cu    /* protocol field of a cooked header (Linux if_ether.h) */
#define TRACE_PROTOCOL_CAN_FD 0x000Du
#define TRACE_PROTOCOL_CAN_XL 0x000Eu

#define TRACE_CAN_HEADER 8u     /* id, length, flags, reserved, len8_dlc */
#define TRACE_CAN_CLASSIC 16u   /* full-size classic packet */
#define TRACE_CAN_FD 72u        /* full-size CAN FD packet */
#define TRACE_FLAG_BRS 0x01u    /* in the flags byte */
#define TRACE_FLAG_ESI 0x02u
#define TRACE_FLAG_FDF 0x04u
#define TRACE_LENGTH_XL 0x80u   /* in the length byte: CAN XL */

/* Bits of the CAN id word, Linux include/uapi/linux/can.h. */
#define TRACE_ID_EXTENDED 0x80000000u
#define TRACE_ID_RTR 0x40000000u
#define TRACE_ID_ERROR 0x20000000u
#define TRACE_ID_MASK 0x1FFFFFFFu

/* Error frames, Linux include/uapi/linux/can/error.h: class CAN_ERR_CRTL, data byte 1 CAN_ERR_CRTL_RX_OVERFLOW. */
#define TRACE_ERROR_CONTROLLER 0x004u
#define TRACE_ERROR_PROTOCOL 0x008u
#define TRACE_ERROR_RX_OVERFLOW 0x01u

/*
 * JOB/recorder.jsonl, what the recorder knew (D 5): one JSON object a line. Every line begins with "line" (from 1) and
 * "kind" and ends with "previous", the SHA-256 of the whole line before it without its line end (null in line 1).
 */
#define RECORDER_LOG_NAME "recorder.jsonl"
#define RECORDER_MARKS_NAME "marks.jsonl"
#define RECORDER_DEFINITIONS_NAME "definitions"
#define RECORDER_TRACE_PREFIX "trace-" /* trace-IFACE.pcap */
#define RECORDER_TRACE_SUFFIX ".pcap"
#define RECORDER_FORMAT 1
#define RECORDER_STAMP_UNCERTAINTY "0.001000000" /* seconds: how late the kernel's stamp may be; our judgement */

#define RECORDER_KIND_START "start"
#define RECORDER_KIND_CHECKPOINT "checkpoint"
#define RECORDER_KIND_EVENT "event"
#define RECORDER_KIND_END "end"

#define RECORDER_LINK_CONTROLLER "controller"
#define RECORDER_LINK_VIRTUAL "virtual"

/* "what" of an event. */
#define RECORDER_SOCKET_LOSS "frames lost in the socket"         /* count: exact */
#define RECORDER_CONTROLLER_LOSS "frames lost in the controller" /* count: at least */
#define RECORDER_LINK_DOWN "link down"
#define RECORDER_LINK_UP "link up"
#define RECORDER_REMOVED "interface removed"
#define RECORDER_BUS_OFF "bus-off"
#define RECORDER_RESTARTED "restarted"
#define RECORDER_CONTROLLER_STATE "controller state"
#define RECORDER_NOT_LISTEN_ONLY "not listen-only"
#define RECORDER_LISTEN_ONLY_AGAIN "listen-only again"
#define RECORDER_LOCAL_FRAMES "frames sent from this computer"
#define RECORDER_TRANSMITTED "the link transmitted"
#define RECORDER_CLOCK_STEPPED "clock stepped" /* detail: "+1.500000000" */
#define RECORDER_NOT_SYNCHRONISED "clock not synchronised"
#define RECORDER_SYNCHRONISED "clock synchronised"
#define RECORDER_DISK_FULL "disk full"
#define RECORDER_WRITE_FAILED "write failed"
#define RECORDER_SYNC_FAILED "sync failed"
#define RECORDER_NO_GOOD_FRAME "no good frame"
#define RECORDER_MARKS_CHANGED "marks changed"
#define RECORDER_CHECKPOINT_LATE "checkpoint late"

/* "why" of the end; removed, full and failed are the events' own words. */
#define RECORDER_WHY_STOPPED "stopped"
#define RECORDER_WHY_READER_KILLED "reader killed"
#define RECORDER_WHY_TIME_LIMIT "time limit"

#endif
