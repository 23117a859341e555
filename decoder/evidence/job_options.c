/* See job_options.h. */
#include "job_options.h"

#include <errno.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#include "../outputs/json.h"
#include "../stages/pair.h"
#include "folder.h"

#define OPTIONS_FILE_MAX (256u * 1024u)
static const char *const order_names[] = {NULL, "big", "swapped"}; /* by enum frame_id_order */

bool job_options_said(const struct job_options *options)
{
    bool original = false;
    for (uint32_t i = 0; i < TRACE_INPUTS_MAX; i++)
        original = original || options->originals[i].there;
    return original || options->part || options->bus[0] || options->pair_count || options->longest ||
           options->id_order != FRAME_ID_LOOK;
}

/* ---- reading ---- */

static bool take_number(const json_t *object, const char *key, uint32_t *number)
{
    const json_t *value = json_object_get(object, key);
    if (json_is_null(value))
        return true;
    if (!json_is_integer(value) || json_integer_value(value) < 1 || json_integer_value(value) > UINT32_MAX)
        return false;
    *number = (uint32_t)json_integer_value(value);
    return true;
}

static bool take_text(const json_t *object, const char *key, char *out, size_t room)
{
    const json_t *value = json_object_get(object, key);
    if (json_is_null(value))
        return true;
    if (!json_is_string(value) || json_string_length(value) >= room)
        return false;
    (void)snprintf(out, room, "%s", json_string_value(value));
    return true;
}

static bool take_originals(struct job_options *options, const json_t *list)
{
    if (!json_is_array(list) || json_array_size(list) > TRACE_INPUTS_MAX)
        return false;
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *entry = json_array_get(list, i), *which = json_object_get(entry, "interface");
        struct job_original *original = &options->originals[i];
        if (json_is_null(entry))
            continue;
        original->there = take_text(entry, "sha256", original->sha256, sizeof original->sha256) &&
                          take_text(entry, "name", original->name, sizeof original->name) && json_is_integer(which) &&
                          json_integer_value(which) >= 0 && json_integer_value(which) <= UINT32_MAX;
        if (!original->there)
            return false;
        original->interface = (uint32_t)json_integer_value(which);
    }
    return true;
}

static bool take_pairs(struct job_options *options, const json_t *list)
{
    if (!json_is_array(list) || json_array_size(list) > JOB_PAIRS_MAX)
        return false;
    for (size_t i = 0; i < json_array_size(list); i++) {
        const char *text = json_string_value(json_array_get(list, i));
        if (!text || pair_parse(text, &options->pairs[i]))
            return false;
        options->pair_count++;
    }
    return true;
}

static bool take_all(struct job_options *options, const json_t *object)
{
    char order[16] = "";
    const json_t *format = json_object_get(object, "format");
    if (!json_is_integer(format) || json_integer_value(format) != 1 || !take_number(object, "part", &options->part) ||
        !take_number(object, "longest", &options->longest) ||
        (options->longest && options->longest < TRANSPORT_LONGEST_LEAST) ||
        !take_text(object, "bus", options->bus, sizeof options->bus) ||
        !take_text(object, "id_order", order, sizeof order) || !take_pairs(options, json_object_get(object, "pairs")) ||
        !take_originals(options, json_object_get(object, "originals")))
        return false;
    options->id_order = strcmp(order, "big") == 0       ? FRAME_ID_DEFINED
                        : strcmp(order, "swapped") == 0 ? FRAME_ID_SWAPPED
                                                        : FRAME_ID_LOOK;
    return !order[0] || options->id_order != FRAME_ID_LOOK;
}

int job_options_load(struct job_options *options, int folder, const char *shown, struct diagnostics *diagnostics)
{
    json_error_t error;
    size_t length;
    memset(options, 0, sizeof *options);
    char *room = malloc(OPTIONS_FILE_MAX);
    if (!room)
        return diagnostics_no_memory(diagnostics, NULL);
    int code = 0;
    if (!folder_read(folder, "options.json", room, OPTIONS_FILE_MAX, &length)) {
        code = errno == ENOENT ? 0 : EXIT_CANNOT_OPEN;
        if (code)
            diagnostics_say(diagnostics, SEVERITY_ERROR, shown, "its options.json cannot be read: %s", strerror(errno));
    } else {
        json_t *object = json_loadb(room, length, JSON_REJECT_DUPLICATES, &error);
        if (!take_all(options, object)) {
            diagnostics_say(diagnostics, SEVERITY_ERROR, shown,
                            "its options.json is not as verify writes it; take it away, and give the options again");
            code = EXIT_BAD_INPUT;
        }
        json_decref(object);
    }
    free(room);
    return code;
}

/* ---- writing ---- */

static void number_or_null(struct json *json, const char *key, uint32_t number)
{
    if (number)
        json_unsigned(json, key, number);
    else
        json_nothing(json, key);
}

void job_options_write(struct sink *sink, const struct job_options *options)
{
    struct json json;
    uint32_t last = TRACE_INPUTS_MAX;
    json_begin(&json, sink);
    json_open(&json, NULL, '{');
    json_unsigned(&json, "format", 1);
    number_or_null(&json, "part", options->part);
    json_text(&json, "bus", options->bus[0] ? options->bus : NULL);
    json_open(&json, "pairs", '[');
    for (uint32_t i = 0; i < options->pair_count; i++) {
        char name[PAIR_TEXT_MAX];
        pair_text(&options->pairs[i], name);
        json_text(&json, NULL, name);
    }
    json_close(&json, ']');
    json_text(&json, "id_order", order_names[options->id_order]);
    number_or_null(&json, "longest", options->longest);
    json_open(&json, "originals", '[');
    while (last > 0 && !options->originals[last - 1].there)
        last--;
    for (uint32_t i = 0; i < last; i++) {
        const struct job_original *original = &options->originals[i];
        if (!original->there) {
            json_nothing(&json, NULL);
            continue;
        }
        json_open(&json, NULL, '{');
        json_text(&json, "sha256", original->sha256);
        json_unsigned(&json, "interface", original->interface);
        json_text(&json, "name", original->name[0] ? original->name : NULL);
        json_close(&json, '}');
    }
    json_close(&json, ']');
    json_close(&json, '}');
    json_end(&json);
}
