/* See pdu.h. Forms and lengths after ISO 15765-2:2016 9.6. */
#include "pdu.h"

#include "../support/bytes.h"

#define FULL_FRAME 8u /* a first frame fills its frame */

static void bad(struct pdu *pdu, const char *reason)
{
    pdu->kind = PDU_BAD;
    pdu->reason = reason;
}

/* What is left of the cursor becomes the payload bytes. */
static void carry(struct pdu *pdu, struct bytes *rest, uint8_t header)
{
    pdu->header = header;
    pdu->data_length = (uint8_t)rest->left;
    pdu->data = bytes_take(rest, rest->left);
}

static void read_single(uint8_t first, struct bytes *rest, struct pdu *pdu)
{
    pdu->kind = PDU_SINGLE;
    pdu->length = first & 0x0F;
    if (pdu->length == 0) {
        bad(pdu, "single frame of length 0");
    } else if (pdu->length > rest->left) {
        bad(pdu, "single frame longer than its CAN frame");
    } else {
        rest->left = pdu->length; /* what follows is padding, whatever its value */
        carry(pdu, rest, 1);
    }
}

static void read_first(uint8_t first, struct bytes *rest, struct pdu *pdu)
{
    pdu->kind = PDU_FIRST;
    if (rest->left + 1 < FULL_FRAME) {
        bad(pdu, "first frame in a CAN frame that is not full");
        return;
    }
    pdu->length = (uint32_t)(first & 0x0F) << 8 | bytes_u8(rest);
    pdu->escape = pdu->length == 0;
    if (pdu->escape)
        pdu->length = bytes_be32(rest);
    if (pdu->length == 0)
        bad(pdu, "first frame of length 0");
    else
        carry(pdu, rest, pdu->escape ? 6 : 2);
}

static void read_flow_control(uint8_t first, struct bytes *rest, struct pdu *pdu)
{
    pdu->kind = PDU_FLOW_CONTROL;
    pdu->block_size = bytes_u8(rest);
    pdu->st_min = bytes_u8(rest);
    if (rest->bad)
        bad(pdu, "flow control shorter than 3 bytes");
    else if ((first & 0x0F) > FLOW_OVERFLOW)
        bad(pdu, "flow control with a reserved flow status");
    else
        pdu->status = (enum flow_status)(first & 0x0F);
}

void pdu_read(const uint8_t *data, size_t length, struct pdu *pdu)
{
    struct bytes rest = bytes_of(data, length);
    uint8_t first = bytes_u8(&rest);
    *pdu = (struct pdu){.kind = PDU_BAD};
    if (rest.bad) {
        bad(pdu, "CAN frame without data");
        return;
    }
    switch (first >> 4) {
    case 0:
        read_single(first, &rest, pdu);
        break;
    case 1:
        read_first(first, &rest, pdu);
        break;
    case 2:
        pdu->kind = PDU_CONSECUTIVE;
        pdu->sequence = first & 0x0F;
        carry(pdu, &rest, 1);
        break;
    case 3:
        read_flow_control(first, &rest, pdu);
        break;
    default:
        bad(pdu, "unknown N_PDU type");
    }
}
