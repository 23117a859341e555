/*
 * One CAN frame's data as one N_PDU of ISO 15765-2, without any state: which of the four kinds it is, what it carries,
 * or why a receiver must drop it. The state machine around it is transport.c. Extended and mixed addressing have one
 * address byte before all this. "Long" is a CAN FD frame of more than 8 data bytes.
 *
 *   single frame       0L | data                      L = 1..7 (6 behind an address byte)
 *                      00 LL | data                   long; 8-bit length
 *   first frame        1H LL | data                   12-bit length; the frame is full
 *                      10 00 LL LL LL LL | data       32-bit length, for more than 4,095 bytes
 *   consecutive frame  2N | data                      N = sequence number
 *   flow control       3S BS ST                       S = flow status, block size, STmin
 */
#ifndef TT_PDU_H
#define TT_PDU_H

#include "../support/support.h"

enum pdu_kind { PDU_SINGLE, PDU_FIRST, PDU_CONSECUTIVE, PDU_FLOW_CONTROL, PDU_BAD };
enum flow_status { FLOW_CONTINUE = 0, FLOW_WAIT = 1, FLOW_OVERFLOW = 2 };

#define PDU_12_BIT_MAX 4095u

struct pdu {
    enum pdu_kind kind;
    const char *reason;        /* PDU_BAD: why it is dropped; static text */
    uint32_t length;           /* SINGLE, FIRST: length of the whole message, not 0 */
    const uint8_t *data;       /* SINGLE, FIRST, CONSECUTIVE: payload bytes; borrowed */
    uint8_t data_length;       /* of these; what passes the message's length is padding */
    uint8_t header;            /* bytes before data, an address byte included */
    bool escape;               /* FIRST: 32-bit form; SINGLE: 8-bit form */
    bool short_length;         /* SINGLE, FIRST: length below the minimum of its form (9.6.2, 9.6.3) */
    uint8_t sequence;          /* CONSECUTIVE */
    enum flow_status status;   /* FLOW_CONTROL */
    uint8_t block_size, st_min;
};

/* data: length (0 to 64) bytes of one data frame, of which the first addressed (0 or 1) are address bytes. */
void pdu_read(const uint8_t *data, size_t length, unsigned addressed, struct pdu *pdu);
/* STmin from the reserved ranges 80..F0 and FA..FF (ISO 15765-2:2016 9.6.5): a sender takes 127 ms. */
static inline bool pdu_st_min_reserved(uint8_t st_min)
{
    return st_min > 0x7F && !(st_min >= 0xF1 && st_min <= 0xF9);
}

/* What a sender makes of it, ns: 00 to 7F ms, F1 to F9 hundreds of us, anything else 127 ms. */
static inline int64_t pdu_st_min_time(uint8_t st_min)
{
    if (pdu_st_min_reserved(st_min))
        return 127 * TT_MS;
    return st_min <= 0x7F ? st_min * TT_MS : (st_min - 0xF0) * (TT_MS / 10);
}

#endif
