/* See support_outputs.h. */
#include "support_outputs.h"

#include <stdlib.h>

struct sink *page_open(struct page_of *page)
{
    buffer_init(&page->memory, 1u << 20);
    if (!sink_open_memory(&page->sink, &page->memory))
        abort();
    return &page->sink;
}

const char *page_text(struct page_of *page)
{
    if (!sink_flush(&page->sink) || !buffer_append(&page->memory, "", 1))
        abort();
    page->memory.length--;
    return (const char *)page->memory.data;
}

void page_close(struct page_of *page)
{
    if (!sink_close(&page->sink))
        abort();
    buffer_free(&page->memory);
}

static struct def_reading readings[] = {
    {.name = "seat load.total",
     .long_name = "seat scale/seat load.total",
     .unit = "kg",
     .kind = READING_NUMBER,
     .denominator = 10},
    {.name = "lamp.off lamp",
     .long_name = "seat scale/lamp.off lamp",
     .unit = "",
     .kind = READING_NUMBER,
     .denominator = 1},
    {.name = "vin.number", .long_name = "seat scale/vin.number", .unit = "", .kind = READING_TEXT, .denominator = 1},
    {.name = "seat load.third",
     .long_name = "seat scale/seat load.third",
     .unit = "kg",
     .kind = READING_NUMBER,
     .denominator = 3},
};
static struct def_code codes[] = {{0x9A4254, "calibration missing"}};
static struct def_module modules[] = {{.name = "seat scale", .codes = codes, .code_count = 1}};
static struct def_file files[] = {{.path = "x/seat.yaml", .name = "seat.yaml", .bytes = "", .sha256 = "aa"}};
const struct definitions made_definitions = {
    .files = files, .file_count = 1, .modules = modules, .module_count = 1, .readings = readings, .reading_count = 4};
const int64_t made_start = MADE_START;
const struct view made_view = {.definitions = &made_definitions, .start = &made_start};

static const uint8_t payload[] = {0x62, 0x3c, 0x40, 0x3f, 0x23, 0xe6, 0x3e, 0x43, 0xed, 0x7b, 0x00};
static const struct segment segments[] = {{0, 6, 100, 0}, {6, 5, 200, 0}};
const struct message made_message = {
    .id = 0x6c5, .direction = DIRECTION_RESPONSE, .first_frame = 17, .last_frame = 19,
    .first_time = MADE_START + 1000000000, .last_time = MADE_START + 1250000001, .length = 11, .received = 11,
    .bytes = payload, .segments = segments, .segment_count = 2, .record_offset = 76, .state = MESSAGE_COMPLETE};
