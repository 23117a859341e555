/* See pdu.h. Forms and lengths after ISO 15765-2:2016 9.6. */
#include "pdu.h"

#include "../support/bytes.h"

#define CLASSIC_LENGTH 8u /* what a first frame fills; beyond it are the long forms of CAN FD */

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

/* length: of the CAN frame's data, address byte and all (CAN_DL). */
static void read_single(uint8_t first, struct bytes *rest, size_t length, struct pdu *pdu)
{
    uint8_t header = (uint8_t)(length - rest->left);
    pdu->kind = PDU_SINGLE;
    pdu->length = first & 0x0F;
    pdu->escape = length > CLASSIC_LENGTH;
    if (pdu->escape) {
        if (pdu->length != 0) {
            bad(pdu, "single frame of the short form in a CAN FD frame of more than 8 bytes");
            return;
        }
        pdu->length = bytes_u8(rest);
        pdu->short_length = pdu->length + header <= CLASSIC_LENGTH; /* would have fitted the short form */
        header++;
    }
    if (pdu->length == 0) {
        bad(pdu, "single frame of length 0");
    } else if (pdu->length > rest->left) {
        bad(pdu, "single frame longer than its CAN frame");
    } else {
        rest->left = pdu->length; /* what follows is padding, whatever its value */
        carry(pdu, rest, header);
    }
}

static void read_first(uint8_t first, struct bytes *rest, size_t length, struct pdu *pdu)
{
    uint8_t header = (uint8_t)(length - rest->left);
    pdu->kind = PDU_FIRST;
    if (length < CLASSIC_LENGTH) {
        bad(pdu, "first frame in a CAN frame that is not full");
        return;
    }
    /* What a single frame of this length could hold needs none: SF_DL is a nibble up to 8 bytes, then a byte. */
    uint32_t single = (uint32_t)length - header - (length > CLASSIC_LENGTH ? 1 : 0);
    pdu->length = (uint32_t)(first & 0x0F) << 8 | bytes_u8(rest);
    pdu->escape = pdu->length == 0;
    if (pdu->escape)
        pdu->length = bytes_be32(rest);
    pdu->short_length = pdu->length <= single;
    if (pdu->length == 0)
        bad(pdu, "first frame of length 0");
    else
        carry(pdu, rest, header + (pdu->escape ? 5 : 1));
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

void pdu_read(const uint8_t *data, size_t length, unsigned addressed, struct pdu *pdu)
{
    struct bytes rest = bytes_of(data, length);
    bytes_skip(&rest, addressed);
    uint8_t first = bytes_u8(&rest);
    *pdu = (struct pdu){.kind = PDU_BAD};
    if (rest.bad) {
        bad(pdu, "CAN frame without data");
        return;
    }
    switch (first >> 4) {
    case 0:
        read_single(first, &rest, length, pdu);
        break;
    case 1:
        read_first(first, &rest, length, pdu);
        break;
    case 2:
        pdu->kind = PDU_CONSECUTIVE;
        pdu->sequence = first & 0x0F;
        carry(pdu, &rest, (uint8_t)(addressed + 1));
        break;
    case 3:
        read_flow_control(first, &rest, pdu);
        break;
    default:
        bad(pdu, "unknown N_PDU type");
    }
}
