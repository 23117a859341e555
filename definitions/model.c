/* Look-ups in the model; see model.h. Arrays are sorted by the loader. */
#include "model.h"

#include <stddef.h>

const struct def_identifier *definitions_identifier(const struct def_module *module, uint16_t key)
{
    uint32_t low = 0, high = module->identifier_count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (module->identifiers[middle].key == key)
            return &module->identifiers[middle];
        if (module->identifiers[middle].key < key)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

const struct def_action *definitions_routine(const struct definitions *definitions, uint32_t module, uint16_t key)
{
    /* Actions stand module by module and sorted by key within one. */
    uint32_t low = 0, high = definitions->action_count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        const struct def_action *action = &definitions->actions[middle];
        if (action->module == module && action->key == key)
            return action;
        if (action->module < module || (action->module == module && action->key < key))
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
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
