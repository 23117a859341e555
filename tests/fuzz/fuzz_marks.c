/*
 * Marks files (D 5.6) and their places in the record (D 7.1). The input begins with the times of up to twelve frames;
 * the rest is the file. Places are held against a plain reading of the rule: a mark stands before the first frame whose
 * time is not earlier, and where the trace passes its time twice it stands nowhere.
 */
#include <string.h>

#include "../../decoder/stages/marks.h"
#include "../../decoder/support/text.h"
#include "fuzz.h"

#define FRAMES_MAX 12
#define WITHIN 64 /* seconds: marks of the same minute meet frames often, to the nanosecond */
#define BASE INT64_C(1772438400) /* date -u -d 2026-03-02T08:00:00Z +%s */

static int64_t times[FRAMES_MAX];
static size_t frames;

struct binding {
    uint32_t bound[MARKS_MAX + 1]; /* by place in list: how often */
    const struct marks *marks;
    size_t at;                     /* frame that is next */
    int64_t last;
};

/* How often the frames' times pass the mark's on the way up; behind the last frame counts when they never do. */
static uint32_t places_of(int64_t time)
{
    uint32_t places = 0;
    for (size_t i = 0; i < frames; i++)
        places += times[i] >= time && (i == 0 || times[i - 1] < time);
    return places ? places : 1;
}

static void on_mark(void *context, const struct mark *mark)
{
    struct binding *binding = context;
    binding->bound[mark - binding->marks->list]++;
    FUZZ_CHECK(mark->places == 1);
    if (binding->at < frames) /* before this frame, and not before the one before it */
        FUZZ_CHECK(times[binding->at] >= mark->time && (binding->at == 0 || times[binding->at - 1] < mark->time));
    else
        for (size_t i = 0; i < frames; i++)
            FUZZ_CHECK(times[i] < mark->time);
}

static void check_places(struct marks *marks)
{
    static struct binding binding;
    struct mark_walk walk;
    memset(&binding, 0, sizeof binding);
    binding.marks = marks;
    mark_walk_init(&walk, marks);
    for (size_t i = 0; i < frames; i++)
        marks_survey_time(&walk, times[i]);
    marks_survey_end(&walk);
    mark_walk_init(&walk, marks);
    for (; binding.at < frames; binding.at++)
        marks_bind_time(&walk, times[binding.at], on_mark, &binding);
    marks_bind_end(&walk, on_mark, &binding);
    for (uint32_t i = 0; i < marks->count; i++) {
        const struct mark *mark = &marks->list[i];
        FUZZ_CHECK(mark->places == places_of(mark->time));
        FUZZ_CHECK(binding.bound[i] == (mark->places == 1));
        bool before = frames > 0 && mark->time < times[0], behind = true;
        for (size_t k = 0; k < frames; k++)
            behind = behind && times[k] < mark->time;
        if (mark->places == 1 && frames > 0)
            FUZZ_CHECK(mark->outside == (before || behind));
    }
}

static void check_mark(const struct marks *marks, uint32_t index)
{
    const struct mark *mark = &marks->list[index];
    struct ratio number;
    FUZZ_CHECK(mark->name && mark->text && mark->value && mark->unit && mark_kind_text(mark->kind));
    FUZZ_CHECK(index == 0 || mark[-1].line < mark->line);
    FUZZ_CHECK(mark->end <= marks->length);
    FUZZ_CHECK(mark->kind != MARK_CONDITION || strcmp(mark->value, "yes") == 0 || strcmp(mark->value, "no") == 0);
    FUZZ_CHECK(mark->kind != MARK_WEIGHT || !ratio_parse(mark->value, strlen(mark->value), &number));
    FUZZ_CHECK((mark->kind == MARK_WITHDRAWAL) == (mark->withdraws != 0));
    if (mark->withdrawn_by)
        FUZZ_CHECK(mark->withdrawn_by > mark && mark->withdrawn_by->withdraws == mark->line);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bytes input = bytes_of(data, size);
    struct diagnostics diagnostics;
    struct marks marks;
    frames = fuzz_choice(&input, FRAMES_MAX + 1);
    for (size_t i = 0; i < frames; i++)
        times[i] = (BASE + (int64_t)(fuzz_number(&input, 2) % WITHIN)) * TT_SECOND;
    char *text = NULL;
    size_t said = 0;
    FILE *out = open_memstream(&text, &said);
    FUZZ_CHECK(out);
    diagnostics_init(&diagnostics, out);
    diagnostics.most = 20;
    fuzz_folder_arm();
    fuzz_folder_put("marks.jsonl", input.at, input.left);
    struct diagnostics silent;
    struct marks kept;
    int code = marks_load(&marks, "job/marks.jsonl", &diagnostics);
    /* In a job folder a torn line is left out; else both are the same. */
    diagnostics_init(&silent, NULL);
    fuzz_shortage(1 + (unsigned)(size % 10));
    int short_code = marks_load(&kept, "job/marks.jsonl", &silent);
    fuzz_shortage(0);
    FUZZ_CHECK(short_code == code || short_code == EXIT_OUR_FAULT);
    if (short_code == 0)
        marks_free(&kept);
    int kept_code = marks_load_from_job(&kept, "job/marks.jsonl", &silent);
    fuzz_folder_disarm();
    FUZZ_CHECK(code != 0 || (kept_code == 0 && kept.count == marks.count));
    if (kept_code == 0) {
        for (uint32_t i = 0; i < kept.count; i++)
            check_mark(&kept, i);
        check_places(&kept);
        marks_free(&kept);
    }
    FUZZ_CHECK((code == 0) == (diagnostics.errors == 0) && (code == 0 || code == EXIT_BAD_INPUT));
    if (!code) {
        FUZZ_CHECK(marks.length == input.left && marks.count <= MARKS_MAX);
        for (uint32_t i = 0; i < marks.count; i++) {
            check_mark(&marks, i);
            FUZZ_CHECK(i == 0 || marks.by_time[i - 1]->time <= marks.by_time[i]->time);
        }
        check_places(&marks);
        marks_free(&marks);
    }
    FUZZ_CHECK(fclose(out) == 0);
    for (char *line = strtok(text, "\n"); line; line = strtok(NULL, "\n"))
        FUZZ_CHECK(text_is_clean(line, strlen(line)));
    free(text);
    return 0;
}
