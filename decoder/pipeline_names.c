/* The names of modules, buses and files, for people; see pipeline.h. */
#include <stdio.h>
#include <string.h>

#include "pipeline_parts.h"

const char *pipeline_module_name(const struct pipeline *pipeline, uint32_t module)
{
    if (module < pipeline->described)
        return pipeline->options.definitions->modules[module].name;
    return module < pipeline->module_count ? pipeline->pair_names[module - pipeline->described] : "";
}

const char *pipeline_bus_name(const struct pipeline *pipeline, uint32_t bus)
{
    static const char names[FRAME_FILE_MAX + 1][3] = {
        "1",  "2",  "3",  "4",  "5",  "6",  "7",  "8",  "9",  "10", "11", "12", "13", "14", "15", "16", "17",
        "18", "19", "20", "21", "22", "23", "24", "25", "26", "27", "28", "29", "30", "31", "32", "33", "34",
        "35", "36", "37", "38", "39", "40", "41", "42", "43", "44", "45", "46", "47", "48", "49", "50", "51",
        "52", "53", "54", "55", "56", "57", "58", "59", "60", "61", "62", "63", "64", ""};
    if (pipeline && bus < pipeline->bus_count && pipeline->inputs->list[pipeline->buses[bus].first_file].bus[0])
        return pipeline->inputs->list[pipeline->buses[bus].first_file].bus;
    return names[bus < FRAME_FILE_MAX ? bus : FRAME_FILE_MAX];
}

const char *pipeline_file_name(const struct pipeline *pipeline, uint32_t file, char room[PIPELINE_FILE_NAME])
{
    if (pipeline && pipeline->inputs && file < pipeline->inputs->count && pipeline->inputs->list[file].file[0])
        (void)snprintf(room, PIPELINE_FILE_NAME, "%s", pipeline->inputs->list[file].file);
    else
        (void)snprintf(room, PIPELINE_FILE_NAME, "trace-%u.pcap", (unsigned)file + 1);
    return room;
}
