/* Look-ups in the model; see model.h. Arrays are sorted by the loader. */
#include "model.h"

#include <stddef.h>

static const struct def_identifier *find_identifier(const struct def_identifier *list, uint32_t count, uint16_t key)
{
    uint32_t low = 0, high = count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (list[middle].key == key)
            return &list[middle];
        if (list[middle].key < key)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

const struct def_identifier *definitions_identifier(const struct def_module *module, uint16_t key)
{
    return find_identifier(module->identifiers, module->identifier_count, key);
}

const struct def_identifier *definitions_local_identifier(const struct def_module *module, uint8_t key)
{
    return find_identifier(module->local_identifiers, module->local_identifier_count, key);
}

const struct def_identifier *definitions_identification(const struct def_module *module, uint8_t key)
{
    return find_identifier(module->identification, module->identification_count, key);
}

/* Actions stand module by module, within one by kind, and within one by key. */
static int action_order(const struct def_action *action, uint32_t module, enum action_kind kind, uint32_t key)
{
    if (action->module != module)
        return action->module < module ? -1 : 1;
    if (action->kind != kind)
        return action->kind < kind ? -1 : 1;
    return action->key < key ? -1 : action->key > key;
}

const struct def_action *definitions_action(const struct definitions *definitions, uint32_t module,
                                            enum action_kind kind, uint32_t key)
{
    uint32_t low = 0, high = definitions->action_count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        int order = action_order(&definitions->actions[middle], module, kind, key);
        if (order == 0)
            return &definitions->actions[middle];
        if (order < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

const struct def_action *definitions_routine(const struct definitions *definitions, uint32_t module, uint16_t key)
{
    return definitions_action(definitions, module, ACTION_ROUTINE, key);
}

const struct def_broadcast *definitions_broadcast(const struct def_module *module, uint32_t id)
{
    uint32_t low = 0, high = module->broadcast_count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (module->broadcasts[middle].id == id)
            return &module->broadcasts[middle];
        if (module->broadcasts[middle].id < id)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

const char *definitions_code_text(const struct def_module *module, uint32_t code)
{
    uint32_t low = 0, high = module->code_count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (module->codes[middle].code == code)
            return module->codes[middle].text;
        if (module->codes[middle].code < code)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

const char *definitions_state(const struct def_reading *reading, uint64_t raw)
{
    uint32_t low = 0, high = reading->name_count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (reading->names[middle].number == raw)
            return reading->names[middle].text;
        if (reading->names[middle].number < raw)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}
