/* The list beside the chart, and the refused tries with their spacing. */
#include "report_page.h"

#include "../support/text.h"

#define REFUSALS_SHOWN 40u
#define UNBOUND_SHOWN 20u

static const char *module_of(struct page *page, uint32_t module)
{
    return module == DEF_NONE ? "" : view_module_name(page->report->view, module);
}

static void put_mark(struct page *page, const struct mark *mark, bool bound)
{
    page_put(page, "Noted by a person (");
    page_put(page, mark_kind_text(mark->kind));
    page_put(page, ")");
    const char *parts[] = {mark->name, mark->value, mark->unit, mark->text};
    for (size_t i = 0; i < 4; i++) {
        if (!parts[i][0])
            continue;
        page_put(page, i == 0 ? ": " : i == 2 ? " " : i == 1 && mark->name[0] ? " = " : ": ");
        page_text(page, parts[i]);
    }
    if (mark->withdraws) {
        page_put(page, "; withdraws line ");
        page_number(page, mark->withdraws);
        page_put(page, " of marks.jsonl");
    }
    if (mark->withdrawn_by) {
        page_put(page, "; withdrawn later by line ");
        page_number(page, mark->withdrawn_by->line);
        page_put(page, " of marks.jsonl");
    }
    if (!bound)
        page_put(page, "; it stands at no one place of the record");
}

static bool is_positive(const struct report_note *note)
{
    return !note->nrc && (note->state == EXCHANGE_ANSWERED || note->state == EXCHANGE_LATE ||
                          note->state == EXCHANGE_UNSOLICITED);
}

static void put_outcome(struct page *page, const struct report_note *note, const char *positive)
{
    bool apart = positive[0] == ':'; /* the others go on behind a colon of their own */
    if (note->nrc) {
        page_put(page, apart ? ": refused (" : "refused (");
        page_text(page, standard_nrc_name(note->dialect, note->nrc));
        page_put(page, ")");
    } else {
        page_put(page, is_positive(note) ? positive : apart ? ": no answer on record" : "no answer on record");
    }
}

static void put_what(struct page *page, const struct report_note *note)
{
    switch (note->kind) {
    case NOTE_ACTION:
        page_action(page, note);
        break;
    case NOTE_MARK:
        put_mark(page, note->mark, note->bound);
        break;
    case NOTE_CLEAR:
    case NOTE_CODES:
        page_put(page, note->kind == NOTE_CLEAR ? "Clear trouble codes: " : "Read trouble codes: ");
        if (note->kind == NOTE_CLEAR || !is_positive(note)) {
            put_outcome(page, note, "done, says the module");
        } else {
            page_count(page, note->codes, "code");
            page_put(page, note->is_count ? " counted" : " listed");
        }
        break;
    case NOTE_DANGER:
        page_put(page, "<strong>");
        page_text(page, note->what);
        page_put(page, "</strong>");
        page_put(page, note->nrc                                                            ? "; refused"
                       : note->state == EXCHANGE_ANSWERED || note->state == EXCHANGE_LATE ? "; the module agreed"
                                                                                             : "; no answer on record");
        break;
    case NOTE_WRITE: {
        const char *name = standard_identifier_name(note->identifier);
        page_put(page, "Write of ");
        if (name) {
            page_text(page, name);
        } else {
            page_put(page, "identifier 0x");
            sink_hex_number(page->sink, note->identifier, 4);
        }
        put_outcome(page, note, ": accepted");
        break;
    }
    case NOTE_EVENT:
        page_sentence(page, note->what);
        break;
    case NOTE_RECORDED:
        page_put(page, "The recorder noted: ");
        page_text(page, note->what);
        if (note->count) {
            page_put(page, " (");
            page_number(page, note->count);
            page_put(page, ")");
        }
        if (note->detail[0]) {
            page_put(page, ": ");
            page_text(page, note->detail);
        }
        break;
    }
    if (note->module != DEF_NONE && page->definitions->module_count != 1) {
        page_put(page, " [");
        page_text(page, module_of(page, note->module));
        page_put(page, "]");
    }
}

/* A note whose time the record passes never, or more than once, counts for nothing (D 7.1): it has no place in the list,
 * and is told all the same. */
static void put_unbound(struct page *page)
{
    const struct marks *marks = page->about->marks;
    uint64_t unbound = 0;
    for (uint32_t i = 0; marks && i < marks->count; i++) {
        if (marks->list[i].places == 1 || unbound++ >= UNBOUND_SHOWN)
            continue;
        page_put(page, "<p class=\"loss\">");
        put_mark(page, &marks->list[i], false);
        page_put(page, ", noted at ");
        page_time(page, marks->list[i].time);
        page_put(page, ".</p>\n");
    }
    page_more(page, unbound > UNBOUND_SHOWN ? unbound - UNBOUND_SHOWN : 0, "such notes");
}

void page_timeline(struct page *page)
{
    const struct report *report = page->report;
    uint32_t kept = report_notes_kept(report), half = PAGE_NOTES_SHOWN / 2, row = 0;
    put_unbound(page);
    if (kept == 0)
        return;
    page_table(page, "What happened, in order; the numbers stand in the chart", "Nr|Time|What|Frames");
    for (uint32_t i = 0; i < kept; i++) {
        const struct report_note *note = report_note_at(report, i);
        if (kept > PAGE_NOTES_SHOWN && i >= half && i < kept - half)
            continue;
        page_put(page, "<tr><th scope=\"row\">");
        page_put(page, "<span class=\"nb\">");
        page_number(page, ++row);
        page_put(page, "</span></th><td>");
        page_time(page, note->time);
        page_put(page, "</td><td>");
        put_what(page, note);
        page_put(page, "</td><td>");
        if (note->kind == NOTE_RECORDED && note->first_frame)
            page_put(page, "behind ");
        page_frames_on(page, note->bus, note->first_frame, note->last_frame);
        page_put(page, "</td></tr>\n");
    }
    page_table_end(page);
    page_more(page, report->note_count - row, "between the first and the last of these");
}

/* ---- refused tries ---- */

static bool is_refusal(const struct report_note *note)
{
    return note->nrc != 0 && note->kind != NOTE_DANGER && note->kind != NOTE_MARK; /* danger stands on top */
}

void page_refusals(struct page *page)
{
    const struct report *report = page->report;
    uint32_t kept = report_notes_kept(report), shown = 0;
    uint64_t count = 0;
    int64_t before = 0;
    page_put(page, "<section>\n<h2>Refused tries</h2>\n");
    for (uint32_t i = 0; i < kept; i++)
        count += is_refusal(report_note_at(report, i));
    if (count == 0) {
        page_put(page, "<p>No request of a described action, and no question for trouble codes, was refused");
        page_put(page,
                 report->note_count > kept ? ", as far as listed here.</p>\n</section>\n" : ".</p>\n</section>\n");
        return;
    }
    page_table(page, "Refused requests of actions and for trouble codes, with the reason the module gave",
               "Time|Since the refusal before|What was asked|Reason given|Frames");
    for (uint32_t i = 0; i < kept && shown < REFUSALS_SHOWN; i++) {
        const struct report_note *note = report_note_at(report, i);
        if (!is_refusal(note))
            continue;
        page_put(page, "<tr><th scope=\"row\">");
        page_time(page, note->time);
        page_put(page, "</th><td>");
        if (shown++)
            page_span(page, note->time - before);
        else
            page_put(page, "first");
        before = note->time;
        page_put(page, "</td><td>");
        if (note->kind == NOTE_ACTION) {
            page_text(page, note->action->name);
            page_put(page, note->part == PART_START ? ", start" : note->part == PART_STOP ? ", stop" : ", results");
        } else {
            page_put(page, note->kind == NOTE_CLEAR   ? "clear trouble codes"
                           : note->kind == NOTE_CODES ? "read trouble codes"
                                                      : "write of an identity");
        }
        page_put(page, "</td><td>");
        page_text(page, standard_nrc_name(note->dialect, note->nrc));
        page_put(page, " <code>0x");
        sink_hex_number(page->sink, note->nrc, 2);
        page_put(page, "</code></td><td>");
        page_frames_on(page, note->bus, note->first_frame, note->last_frame);
        page_put(page, "</td></tr>\n");
    }
    page_table_end(page);
    page_more(page, count - shown, "refusals");
    if (report->note_count > kept)
        page_more(page, report->note_count - kept, "entries of the record are not looked through here");
    page_put(page, "</section>\n");
}
