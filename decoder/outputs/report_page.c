/* See report_page.h: how text, values, times and tables are put. */
#include "report_page.h"

#include <string.h>

#include "../support/text.h"

/* ---- text ---- */

void page_text_of(struct page *page, const void *text, size_t length)
{
    const uint8_t *at = text;
    bool foreign = false; /* letters that run from right to left would draw what stands beside them along */
    for (size_t i = 0; i < length; i++)
        foreign = foreign || at[i] >= 0x80;
    if (foreign)
        page_put(page, "<bdi>");
    text_html(page->sink, text, length);
    if (foreign)
        page_put(page, "</bdi>");
}

void page_text(struct page *page, const char *text)
{
    page_text_of(page, text, strlen(text));
}

void page_sentence(struct page *page, const char *text)
{
    if (text[0] >= 'a' && text[0] <= 'z') {
        sink_char(page->sink, (char)(text[0] - 'a' + 'A'));
        text++;
    }
    page_text(page, text);
}

void page_number(struct page *page, uint64_t number)
{
    sink_unsigned(page->sink, number);
}

void page_count(struct page *page, uint64_t number, const char *noun)
{
    sink_unsigned(page->sink, number);
    sink_char(page->sink, ' ');
    sink_text(page->sink, noun);
    if (number != 1)
        sink_char(page->sink, 's');
}

void page_times(struct page *page, uint64_t number)
{
    if (number == 1 || number == 2)
        page_put(page, number == 1 ? "once" : "twice");
    else
        page_count(page, number, "time");
}

static void put_unit(struct page *page, const char *unit)
{
    if (!unit || !unit[0])
        return;
    page_put(page, "&nbsp;");
    page_text(page, unit);
}

static void put_ratio(struct page *page, tt_wide numerator, tt_wide denominator, const char *unit)
{
    char text[RATIO_TEXT_MAX];
    bool exact;
    sink_put(page->sink, text, ratio_print(numerator, denominator, text, &exact));
    put_unit(page, unit);
    if (!exact)
        page_put(page, " (rounded to 18 places)");
}

void page_value(struct page *page, tt_wide numerator, const struct def_reading *reading)
{
    put_ratio(page, numerator, reading->denominator, reading->unit);
}

void page_ratio(struct page *page, struct ratio value, const char *unit)
{
    put_ratio(page, value.numerator, value.denominator, unit);
}

/* Seconds in full without needless zeros. */
void page_seconds(struct page *page, int64_t time)
{
    char text[TEXT_TIME_MAX];
    int64_t since;
    if (__builtin_sub_overflow(time, page->about->first_time, &since))
        since = 0;
    size_t length = text_seconds(since, text);
    while (text[length - 1] == '0')
        length--;
    if (text[length - 1] == '.')
        length--;
    sink_put(page->sink, text, length);
    page_put(page, "&nbsp;s");
}

void page_time(struct page *page, int64_t time)
{
    char text[TEXT_TIME_MAX];
    size_t length = text_time(time, text);
    page_put(page, "<span class=\"nb\">");
    page_seconds(page, time);
    page_put(page, "</span> <span class=\"clock\">");
    length--; /* the Z */
    while (length > 20 && text[length - 1] == '0')
        length--;
    if (text[length - 1] == '.')
        length--;
    sink_put(page->sink, text + 11, length - 11);
    page_put(page, "</span>");
}

void page_span(struct page *page, int64_t span)
{
    char text[TEXT_TIME_MAX];
    text_span(span, text);
    for (const char *at = text; *at; at++)
        if (*at == ' ')
            page_put(page, "&nbsp;");
        else
            sink_char(page->sink, *at);
}

void page_frames(struct page *page, uint64_t first, uint64_t last)
{
    if (!first && !last) {
        page_put(page, "&ndash;");
        return;
    }
    page_put(page, "<span class=\"nb\">");
    page_number(page, first ? first : last);
    if (first && last && first != last) {
        page_put(page, " to ");
        page_number(page, last);
    }
    page_put(page, "</span>");
}

void page_frames_on(struct page *page, uint32_t bus, uint64_t first, uint64_t last)
{
    page_frames(page, first, last);
    if (!page->report->view->several || (!first && !last))
        return;
    page_put(page, " of bus ");
    page_text(page, view_bus_name(page->report->view, bus));
}

void page_frames_word(struct page *page, uint32_t bus, uint64_t first, uint64_t last)
{
    page_put(page, first == last || !first || !last ? "frame " : "frames ");
    page_frames_on(page, bus, first, last);
}

void page_bytes(struct page *page, const uint8_t *bytes, uint32_t kept, uint32_t length)
{
    page_put(page, "<code>");
    uint32_t shown = kept < REPORT_BYTES ? kept : REPORT_BYTES;
    for (uint32_t i = 0; i < shown; i++) {
        if (i > 0)
            sink_char(page->sink, ' ');
        sink_hex(page->sink, bytes + i, 1);
    }
    page_put(page, "</code>");
    if (shown < length) {
        page_put(page, " and ");
        page_count(page, length - shown, "more byte");
    }
}

const char *page_trace_file(struct page *page, uint32_t file, char out[PIPELINE_FILE_NAME])
{
    const struct view *view = page->report->view;
    return pipeline_file_name(view->pipeline ? *view->pipeline : NULL, file, out);
}

void page_place(struct page *page, uint32_t file, uint64_t offset)
{
    char name[PIPELINE_FILE_NAME];
    page_text(page, page_trace_file(page, file, name));
    page_put(page, " at byte ");
    page_number(page, offset);
}

/* ---- tables ---- */

/* On a narrow screen a table scrolls inside its frame; the frame can be reached by keyboard. */
void page_table(struct page *page, const char *caption, const char *heads)
{
    uint32_t number = ++page->tables;
    page_put(page, "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-labelledby=\"table-");
    page_number(page, number);
    page_put(page, "\">\n");
    page_put(page, heads ? "<table>\n<caption id=\"table-" : "<table class=\"facts\">\n<caption id=\"table-");
    page_number(page, number);
    page_put(page, "\">");
    page_text(page, caption);
    page_put(page, "</caption>\n");
    if (heads) {
        page_put(page, "<thead><tr>");
        while (*heads) {
            size_t length = strcspn(heads, "|");
            page_put(page, "<th scope=\"col\">");
            sink_put(page->sink, heads, length);
            page_put(page, "</th>");
            heads += length + (heads[length] == '|');
        }
        page_put(page, "</tr></thead>\n");
    }
    page_put(page, "<tbody>\n");
}

void page_table_end(struct page *page)
{
    page_put(page, "</tbody>\n</table>\n</div>\n");
}

void page_more(struct page *page, uint64_t more, const char *what)
{
    if (more == 0)
        return;
    page_put(page, "<p class=\"more\">And ");
    page_number(page, more);
    page_put(page, " more ");
    page_put(page, what);
    page_put(page, ", all in log.jsonl.</p>\n");
}

void page_answer(struct page *page, enum step_answer answer)
{
    static const char *const classes[] = {"yes", "no", "open", "noted"};
    page_put(page, "<span class=\"answer ");
    page_put(page, classes[answer]);
    page_put(page, "\">");
    page_text(page, step_answer_text(answer));
    page_put(page, "</span>");
}

static const char *part_word(const struct def_action *action, enum action_part part)
{
    bool control = action->kind == ACTION_CONTROL || action->kind == ACTION_CONTROL_LOCAL;
    if (action->kind == ACTION_WRITE || action->kind == ACTION_WRITE_LOCAL)
        return "write";
    return part == PART_START     ? control ? "set" : "start"
           : part == PART_STOP    ? control ? "return to the module" : "stop"
           : part == PART_RESULTS ? "question for results"
                                  : "request";
}

/* Are states of this answer named, so that one without a name is worth a word? */
static bool names_states(struct page *page, const struct report_note *note)
{
    const struct def_record *answer = &note->action->parts[note->part].answer;
    for (uint32_t i = 0; i < answer->field_count; i++)
        if (page->definitions->readings[answer->fields[i].reading].name_count)
            return true;
    return false;
}

void page_action(struct page *page, const struct report_note *note)
{
    page_text(page, note->action->name);
    page_put(page, ": ");
    page_put(page, part_word(note->action, note->part));
    sink_char(page->sink, ' ');
    if (note->nrc) {
        page_put(page, "refused (");
        page_text(page, standard_nrc_name(note->dialect, note->nrc));
        page_put(page, ")");
    } else if (note->state == EXCHANGE_ANSWERED || note->state == EXCHANGE_LATE ||
               note->state == EXCHANGE_UNSOLICITED) {
        const char *state = report_answer_of(page->report, note->bus, note->last_frame);
        page_put(page, note->part == PART_RESULTS ? "answered" : "accepted");
        if (state) {
            page_put(page, ": ");
            page_text(page, state);
        } else if (names_states(page, note)) {
            page_put(page, ", but with no state that has a name");
        }
        if (note->state == EXCHANGE_LATE)
            page_put(page, ", later than allowed");
        if (note->state == EXCHANGE_UNSOLICITED)
            page_put(page, ", though no question was seen");
    } else {
        page_put(page, "without an answer on record");
    }
    uint64_t pending = report_pending_of(page->report, note->bus, note->last_frame);
    if (pending) {
        page_put(page, "; the module asked for more time ");
        page_times(page, pending);
    }
}

const struct attempt_result *page_last_attempt(const struct verdict *verdict, uint32_t part)
{
    const struct attempt_result *last = NULL;
    for (uint32_t i = 0; i < verdict->attempts_kept; i++)
        if (verdict->attempts[i]->part == part)
            last = verdict->attempts[i];
    return last;
}
