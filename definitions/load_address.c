/*
 * The address formats of ISO 15765-2:2016, 8.3.2 (D 6.5), as CAN id words and address bytes; see load.h. Normal fixed
 * and mixed with 29 bits have computed ids: priority, 0xDA or 0xCE (physical), 0xDB or 0xCD (functional), target
 * address, source address.
 */
#include <stdio.h>
#include <string.h>

#include "load.h"

#define FORMAT_FIXED       0xDAu
#define FORMAT_MIXED       0xCEu
#define FORMAT_FIXED_FUNCTIONAL 0xDBu
#define FORMAT_MIXED_FUNCTIONAL 0xCDu

enum address_key { KEY_REQUEST, KEY_RESPONSE, KEY_REQUEST_BYTE, KEY_RESPONSE_BYTE, KEY_BYTE, KEY_MODULE, KEY_TESTER,
                   KEY_PRIORITY, KEY_FORMAT, KEYS };
static const struct key_rule rules[KEYS] = {
    {"request", KEY_OPTIONAL},  {"response", KEY_OPTIONAL}, {"request byte", KEY_OPTIONAL},
    {"response byte", KEY_OPTIONAL}, {"byte", KEY_OPTIONAL}, {"module", KEY_OPTIONAL},
    {"tester", KEY_OPTIONAL},   {"priority", KEY_OPTIONAL}, {"format", KEY_OPTIONAL},
};

#define BIT(key) (1u << (key))
#define IDS      (BIT(KEY_REQUEST) | BIT(KEY_RESPONSE))
#define NODES    (BIT(KEY_MODULE) | BIT(KEY_TESTER))

static const char *const formats[] = {"normal", "normal-fixed", "extended", "mixed"}; /* enum address_format */
static const char *const meanings[KEYS] = {
    [KEY_REQUEST] = "the id of the scan tool's questions",
    [KEY_RESPONSE] = "the id of the module's answers",
    [KEY_REQUEST_BYTE] = "the first byte of the questions' frames",
    [KEY_RESPONSE_BYTE] = "the first byte of the answers' frames",
    [KEY_BYTE] = "the first byte of all frames",
    [KEY_MODULE] = "the module's address",
    [KEY_TESTER] = "the scan tool's address",
};

static uint32_t id_of(unsigned priority, unsigned format, uint8_t target, uint8_t source)
{
    return DEF_ID_29 | priority << 26 | format << 16 | (uint32_t)target << 8 | source;
}

/* Keys that the format needs and takes. */
static bool check_keys(struct load *load, const struct node *node, const struct node *const *found, size_t format,
                       unsigned needs, unsigned takes)
{
    bool good = true;
    for (size_t i = 0; i < KEY_FORMAT; i++) {
        if (found[i] && !(takes & BIT(i))) {
            load_say(load, found[i]->key, "\"%s\" does not belong to the address format \"%s\"%s; take it away",
                     rules[i].key, formats[format], format == ADDRESS_MIXED ? " with these other keys" : "");
            good = false;
        }
        bool empty = false; /* a key without value is told already */
        for (const struct node *value = node->first; value && !found[i]; value = value->next)
            empty |= strcmp(value->key->text, rules[i].key) == 0;
        if (!found[i] && needs & BIT(i)) {
            good = false;
            if (!node->open && !empty)
                load_say(load, load_head(node), "an address%s%s needs \"%s\"; give %s",
                         format == ADDRESS_NORMAL ? "" : " of format ", format == ADDRESS_NORMAL ? "" : formats[format],
                         rules[i].key, meanings[i]);
        }
    }
    return good;
}

static bool byte_of(struct load *load, const struct node *node, const char *what, uint8_t *byte)
{
    uint64_t number;
    if (!node || !load_whole(load, node, what, 0, 0xFF, &number))
        return false;
    *byte = (uint8_t)number;
    return true;
}

/* module, tester and priority to both ids. */
static void compute_ids(struct load *load, struct def_module *module, struct id_places *places,
                        const struct node *const *found, unsigned format)
{
    uint8_t node = 0, tester = 0;
    uint64_t priority = 6;
    bool good = byte_of(load, found[KEY_MODULE], "the module's address", &node);
    good &= byte_of(load, found[KEY_TESTER], "the scan tool's address", &tester);
    if (found[KEY_PRIORITY])
        good &= load_whole(load, found[KEY_PRIORITY], "priority", 0, 7, &priority);
    if (!good)
        return;
    if (node == tester) {
        load_say(load, found[KEY_TESTER], "module and scan tool have one address; correct one");
        return;
    }
    module->request_id = id_of((unsigned)priority, format, node, tester);
    module->response_id = id_of((unsigned)priority, format, tester, node);
    places->request = places->response = load_place(found[KEY_MODULE]);
}

void load_address(struct load *load, struct def_module *module, struct id_places *places, const struct node *node)
{
    const struct node *found[KEYS];
    size_t format = ADDRESS_NORMAL;
    if (!load_map(load, node, "an address", rules, KEYS, found))
        return;
    if (found[KEY_FORMAT] && !load_word(load, found[KEY_FORMAT], "the address format", formats, 4, &format))
        return;
    module->format = (enum address_format)format;
    bool computed =
        format == ADDRESS_NORMAL_FIXED || (format == ADDRESS_MIXED && (found[KEY_MODULE] || found[KEY_TESTER]));
    unsigned needs = computed ? NODES : IDS;
    if (format == ADDRESS_EXTENDED)
        needs |= BIT(KEY_REQUEST_BYTE) | BIT(KEY_RESPONSE_BYTE);
    if (format == ADDRESS_MIXED)
        needs |= BIT(KEY_BYTE);
    (void)check_keys(load, node, found, format, needs, needs | (computed ? BIT(KEY_PRIORITY) : 0));
    if (computed) {
        compute_ids(load, module, places, found, format == ADDRESS_MIXED ? FORMAT_MIXED : FORMAT_FIXED);
    } else {
        if (found[KEY_REQUEST] && load_can_id(load, found[KEY_REQUEST], "the request id", &module->request_id))
            places->request = load_place(found[KEY_REQUEST]);
        if (found[KEY_RESPONSE] && load_can_id(load, found[KEY_RESPONSE], "the response id", &module->response_id))
            places->response = load_place(found[KEY_RESPONSE]);
        for (size_t i = KEY_REQUEST; format == ADDRESS_MIXED && i <= KEY_RESPONSE; i++)
            if (found[i] && found[i]->kind == NODE_TEXT && found[i]->length == 2 + 8)
                load_say(load, found[i],
                         "mixed addresses with 29-bit ids are computed; give \"module\" and \"tester\" instead of ids");
    }
    uint8_t request = 0, response = 0, both = 0;
    if (format == ADDRESS_EXTENDED) {
        (void)byte_of(load, found[KEY_REQUEST_BYTE], "request byte", &request);
        (void)byte_of(load, found[KEY_RESPONSE_BYTE], "response byte", &response);
        module->request_byte = request;
        module->response_byte = response;
    } else if (format == ADDRESS_MIXED) {
        (void)byte_of(load, found[KEY_BYTE], "byte", &both);
        module->request_byte = module->response_byte = module->functional_byte = both;
    }
}

/* Questions to all modules. A computed format has its functional ids in a form of its own, too. */
void load_functional(struct load *load, struct def_module *module, struct id_places *places, const struct node *node)
{
    static const struct key_rule functional[] = {{"id", KEY_REQUIRED}, {"byte", KEY_OPTIONAL}};
    const struct node *found[2];
    bool extended = module->format == ADDRESS_EXTENDED;
    if (!load_map(load, node, "\"functional\"", functional, 2, found))
        return;
    if (found[1] && !extended)
        load_say(load, found[1]->key, "\"byte\" goes with the address format \"extended\"; take it away");
    if (found[0] && extended && !found[1] && !node->open)
        load_say(load, load_head(node),
                 "\"functional\" needs \"byte\", as the address format is \"extended\"; give the first "
                 "byte of its frames");
    if (found[1] && extended)
        (void)byte_of(load, found[1], "byte", &module->functional_byte);
    uint32_t id;
    if (!found[0] || !load_can_id(load, found[0], "the functional id", &id))
        return;
    bool wide_mixed =
        module->format == ADDRESS_MIXED && module->request_id != DEF_NO_ID && module->request_id & DEF_ID_29;
    unsigned format = wide_mixed ? FORMAT_MIXED_FUNCTIONAL : FORMAT_FIXED_FUNCTIONAL;
    if ((wide_mixed || module->format == ADDRESS_NORMAL_FIXED) && (!(id & DEF_ID_29) || (id >> 16 & 0x3FF) != format)) {
        load_say(
            load, found[0],
            "a functional id of format \"%s\" is priority, 0x%02X, target and scan tool; write it like 0x18%02X33F1",
            formats[module->format], format, format);
        return;
    }
    module->functional_id = id;
    places->functional = load_place(found[0]);
}
