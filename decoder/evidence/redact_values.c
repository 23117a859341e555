/* See redact_values.h. */
#include "redact_values.h"

#include <stdlib.h>
#include <string.h>

#include "../support/standard.h"

#define TABLE (SECRETS_MAX * 2u) /* a power of two */
#define VIN 17u
#define SEARCHED_TEXT 6u  /* bytes */
#define SEARCHED_BINARY 8u
#define TRIES 20000u

const char *secret_kind_text(enum secret_kind kind)
{
    static const char *const words[] = {"VIN", "serial number", "seed", "key"};
    return words[kind];
}

bool secrets_open(struct secrets *secrets)
{
    *secrets = (struct secrets){.count = 0};
    arena_init(&secrets->arena, SECRETS_BYTES_MAX);
    secrets->list = calloc(SECRETS_MAX, sizeof *secrets->list);
    secrets->table = calloc(TABLE, sizeof *secrets->table);
    return secrets->list && secrets->table;
}

void secrets_close(struct secrets *secrets)
{
    arena_free(&secrets->arena);
    free(secrets->list);
    free(secrets->table);
    *secrets = (struct secrets){.count = 0};
}

static bool is_padding(uint8_t byte)
{
    return byte == 0 || byte == ' ' || byte == 0xFF;
}

void secret_trim(const uint8_t **bytes, uint32_t *length)
{
    while (*length && is_padding((*bytes)[*length - 1]))
        --*length;
    while (*length && is_padding((*bytes)[0])) {
        ++*bytes;
        --*length;
    }
}

static uint32_t place_of(const struct secrets *secrets, const uint8_t *bytes, uint32_t length)
{
    uint32_t hash = 2166136261u; /* FNV-1a */
    for (uint32_t i = 0; i < length; i++)
        hash = (hash ^ bytes[i]) * 16777619u;
    uint32_t at = (hash ^ hash >> 15) % TABLE;
    while (secrets->table[at]) {
        const struct secret *there = &secrets->list[secrets->table[at] - 1];
        if (there->length == length && memcmp(there->bytes, bytes, length) == 0)
            break;
        at = (at + 1) % TABLE;
    }
    return at;
}

const struct secret *secrets_find(const struct secrets *secrets, const uint8_t *bytes, uint32_t length)
{
    uint32_t index = length ? secrets->table[place_of(secrets, bytes, length)] : 0;
    return index ? &secrets->list[index - 1] : NULL;
}

/* ---- forms ---- */

static bool is_plain(const uint8_t *bytes, uint32_t length)
{
    for (uint32_t i = 0; i < length; i++)
        if ((bytes[i] < 0x20 || bytes[i] > 0x7E) && !is_padding(bytes[i]))
            return false;
    return true;
}

static bool is_digit(uint8_t c)
{
    return c >= '0' && c <= '9';
}

/* What stands for a byte whose value nobody is to know; is_padding stays so, and only that. 0: it is kept. */
static uint8_t form_of(uint8_t c, bool plain)
{
    if (is_padding(c))
        return 0;
    if (!plain)
        return 0x80;
    if (is_digit(c))
        return '0';
    if (c >= 'A' && c <= 'Z')
        return 'X';
    return c >= 'a' && c <= 'z' ? 'x' : 0;
}

/* By its form, and the number counted into its last places. */
static void mask_text(const uint8_t *bytes, uint32_t length, uint32_t number, uint8_t *out)
{
    bool plain = is_plain(bytes, length);
    for (uint32_t i = length; i-- > 0;) {
        uint8_t form = form_of(bytes[i], plain);
        out[i] = form ? form : bytes[i];
        if (length == VIN && (bytes[i] == 'I' || bytes[i] == 'O' || bytes[i] == 'Q')) {
            out[i] = 'O'; /* keeps a text from being a VIN, and must go on doing so */
            continue;
        }
        if (!form || !number)
            continue;
        out[i] = (uint8_t)((plain ? '0' : 0x80) + number % 10);
        number /= 10;
    }
}

/* X's, the number, and a check character that is as right or wrong as the original's. */
static void mask_vin(const uint8_t *bytes, uint32_t number, uint8_t *out)
{
    memset(out, 'X', VIN);
    for (uint32_t i = VIN; i-- > VIN - 6u; number /= 10)
        out[i] = (uint8_t)('0' + number % 10);
    bool right = standard_vin_check(bytes, VIN) == (char)bytes[8];
    char check = standard_vin_check(out, VIN); /* the character at its own place has no weight */
    out[8] = (uint8_t)(right ? check : check == '0' ? '1' : '0');
}

static void mask_number(const uint8_t *bytes, uint32_t length, uint32_t number, uint8_t *out)
{
    bool zeros = true;
    for (uint32_t i = 0; i < length; i++)
        zeros = zeros && bytes[i] == 0;
    memset(out, 0x5A, length);
    for (uint32_t i = length; i-- > 0 && number; number >>= 8)
        out[i] ^= (uint8_t)number;
    bool none = true; /* a mask must not say "unlocked" */
    for (uint32_t i = 0; i < length; i++)
        none = none && out[i] == 0;
    if (zeros || none)
        memset(out, zeros ? 0 : 0xA5, length);
}

static void make_mask(enum secret_kind kind, const uint8_t *bytes, uint32_t length, uint32_t number, uint8_t *out)
{
    if (standard_vin_well_formed(bytes, length))
        mask_vin(bytes, number, out);
    else if (kind == SECRET_VIN || kind == SECRET_SERIAL)
        mask_text(bytes, length, number, out);
    else
        mask_number(bytes, length, number, out);
}

/* Nobody else's value or mask? Few values are texts; the counted ones differ anyway where there is room to count. */
static bool is_free(const struct secrets *secrets, const uint8_t *mask, uint32_t length)
{
    if (secrets_find(secrets, mask, length))
        return false;
    for (uint32_t i = 0; i < secrets->count; i++)
        if (secrets->list[i].length == length && memcmp(secrets->list[i].mask, mask, length) == 0)
            return false;
    return true;
}

/* ---- the list ---- */

bool secrets_add(struct secrets *secrets, enum secret_kind kind, const uint8_t *bytes, uint32_t length)
{
    if (length == 0 || secrets_find(secrets, bytes, length))
        return true;
    bool text = kind == SECRET_VIN || kind == SECRET_SERIAL;
    if (secrets->count == SECRETS_MAX || secrets->arena.used + 2 * (size_t)length + 64 > SECRETS_BYTES_MAX ||
        (text && secrets->kinds[SECRET_VIN] + secrets->kinds[SECRET_SERIAL] == SECRETS_TEXT_MAX)) {
        secrets->full = true;
        return true;
    }
    struct secret *secret = &secrets->list[secrets->count];
    uint8_t *kept = arena_take(&secrets->arena, length);
    secret->mask = arena_take(&secrets->arena, length);
    if (!kept || !secret->mask)
        return false;
    memcpy(kept, bytes, length);
    *secret = (struct secret){kind, length, kept, secret->mask};
    uint32_t number = text ? secrets->kinds[kind] + 1 : secrets->count + 1, tries = text ? TRIES : 1;
    do
        make_mask(kind, bytes, length, number++, secret->mask);
    while (--tries && !is_free(secrets, secret->mask, length));
    secrets->kinds[kind]++;
    secrets->table[place_of(secrets, bytes, length)] = ++secrets->count;
    return true;
}

/* The known value of a kind that begins with these bytes, if there is one. */
static const struct secret *begins_with(const struct secrets *secrets, enum secret_kind kind, const uint8_t *bytes,
                                        uint32_t length)
{
    uint32_t most = kind == SECRET_VIN || kind == SECRET_SERIAL ? secrets->count : 0;
    for (uint32_t i = 0; i < most; i++) {
        const struct secret *secret = &secrets->list[i];
        if (secret->kind == kind && secret->length > length && memcmp(secret->bytes, bytes, length) == 0)
            return secret;
    }
    return NULL;
}

void secrets_mask(const struct secrets *secrets, enum secret_kind kind, const uint8_t *bytes, uint32_t length,
                  uint8_t *out)
{
    const struct secret *secret = secrets_find(secrets, bytes, length);
    if (!secret)
        secret = begins_with(secrets, kind, bytes, length);
    if (secret)
        memcpy(out, secret->mask, length);
    else if (kind == SECRET_VIN || kind == SECRET_SERIAL)
        mask_text(bytes, length, 0, out);
    else
        mask_number(bytes, length, 0, out);
}

bool secret_is_text(const struct secret *secret)
{
    return (secret->kind == SECRET_VIN || secret->kind == SECRET_SERIAL) && is_plain(secret->bytes, secret->length);
}

static uint8_t small(uint8_t c)
{
    return c >= 'A' && c <= 'Z' ? (uint8_t)(c - 'A' + 'a') : c;
}

bool secret_equals(const struct secret *secret, const uint8_t *bytes, uint32_t length)
{
    bool text = secret->kind == SECRET_VIN || secret->kind == SECRET_SERIAL;
    if (!text)
        return memcmp(secret->bytes, bytes, length) == 0;
    uint32_t same = 0;
    while (same < length && small(secret->bytes[same]) == small(bytes[same]))
        same++;
    return same == length;
}

bool secret_is_searched(const struct secret *secret)
{
    bool text = secret->kind == SECRET_VIN || secret->kind == SECRET_SERIAL;
    bool same = true;
    for (uint32_t i = 1; i < secret->length; i++)
        same = same && secret->bytes[i] == secret->bytes[0];
    return !same && secret->length >= (text ? SEARCHED_TEXT : SEARCHED_BINARY);
}
