/* The last parts of the report: codes, losses, identities, files, cautions. */
#include "report_page.h"

#include "../support/bytes.h"

/* ---- codes ---- */

static void put_status(struct page *page, uint8_t status, bool two_byte)
{
    bool any = false;
    page_put(page, "<code>0x");
    sink_hex_number(page->sink, status, 2);
    page_put(page, "</code>");
    for (unsigned bit = 0; bit < 8 && !two_byte; bit++) {
        if (!(status & 1u << bit))
            continue;
        page_put(page, any ? ", " : " ");
        page_put(page, standard_status_bit_name(bit));
        any = true;
    }
}

#define LISTED_SHOWN 20u

void page_code_list(struct page *page, uint32_t module, const uint8_t *bytes, uint32_t length)
{
    struct bytes cursor = bytes_of(bytes, length);
    const bool two_byte =
        bytes_u8(&cursor) == 0x58; /* ISO 14230-3: 58, their number, then two bytes and a status each */
    const uint8_t second = bytes_u8(&cursor);
    const struct definitions *definitions = page->definitions;
    uint32_t shown = 0, size = two_byte ? SERVICE_CODE_ENTRY_14230 : SERVICE_CODE_ENTRY;
    if (!two_byte && second == 0x01) { /* 59 01: availability, format, number */
        bytes_skip(&cursor, 2);
        page_count(page, bytes_be16(&cursor), "code");
        page_put(page, " counted, none named");
        return;
    }
    if (!two_byte)
        bytes_skip(&cursor, 1);
    for (; cursor.left >= size && shown < LISTED_SHOWN; shown++) {
        uint32_t code = two_byte ? bytes_be16(&cursor) : bytes_be24(&cursor);
        uint8_t status = bytes_u8(&cursor);
        const char *text =
            module < definitions->module_count ? definitions_code_text(&definitions->modules[module], code) : NULL;
        char name[9];
        standard_dtc_text(code, two_byte, name);
        page_put(page, shown ? "<br>" : "");
        page_text(page, name);
        page_put(page, " ");
        if (text) {
            page_text(page, text);
            page_put(page, " ");
        }
        put_status(page, status, two_byte);
    }
    if (shown == 0)
        page_put(page, "none");
    if (cursor.left >= size) {
        page_put(page, "<br>and ");
        page_count(page, cursor.left / size, "more code");
    }
}

/* ISO 14229-1 D.2; FAULT_BITS (report_collect.h): testFailed, pendingDTC, confirmedDTC. */
#define NOT_TESTED 0x10
#define LAMP_ASKED 0x80 /* warningIndicatorRequested */

static const char *change_of(const struct report_code *code)
{
    bool fault = code->two_byte || (code->status & FAULT_BITS);
    if (code->gone && !code->was_fault)
        return code->gone_tested ? "its test has run since it was first listed, without a fault" : "no longer listed";
    if (code->gone)
        return code->gone_tested ? "gone: the last list does not have it, and its test has run"
                                 : "gone from the last list; whether its test has run again is not known";
    if (!fault && (code->status & NOT_TESTED))
        return "cleared, never tested again";
    if (!fault && (code->status & LAMP_ASKED))
        return "no fault bit any more, but the module still asks for its warning lamp";
    if (!fault && !code->was_fault)
        return "its test has run, without a fault";
    if (!fault)
        return "gone: listed without a fault bit, and its test has run";
    return code->absent_before ? "new: an earlier list did not have it" : "still there";
}

/* The next cell: how and where a list named the code. */
static void put_listing(struct page *page, const struct report_code *code, uint8_t status, uint64_t frame, int64_t time)
{
    page_put(page, "</td><td>");
    put_status(page, status, code->two_byte);
    page_put(page, "<br>frame ");
    page_number(page, frame);
    page_put(page, ", ");
    page_seconds(page, time);
}

static void put_code(struct page *page, const struct report_code *code)
{
    const struct definitions *definitions = page->definitions;
    const char *text = code->module < definitions->module_count
                           ? definitions_code_text(&definitions->modules[code->module], code->code)
                           : NULL;
    char name[9];
    standard_dtc_text(code->code, code->two_byte, name);
    page_put(page, "<tr><th scope=\"row\">");
    page_text(page, name);
    if (text) {
        page_put(page, " ");
        page_text(page, text);
    }
    if (definitions->module_count != 1) {
        page_put(page, " [");
        page_text(page, view_module_name(page->report->view, code->module));
        page_put(page, "]");
    }
    page_put(page, "</th><td>");
    page_put(page, change_of(code));
    if (code->gone) {
        page_put(page, ", frame ");
        page_number(page, code->gone_frame);
    }
    put_listing(page, code, code->first_status, code->first_frame, code->first_time);
    put_listing(page, code, code->status, code->frame, code->time);
    page_put(page, "</td></tr>\n");
}

/* No answer of the record named a code; the last one that counted some is told. */
static void put_none_named(struct page *page)
{
    const struct report_note *counted = NULL;
    for (uint32_t i = 0; i < report_notes_kept(page->report); i++) {
        const struct report_note *note = report_note_at(page->report, i);
        if (note->kind == NOTE_CODES && note->is_count && note->codes)
            counted = note;
    }
    page_put(page, "<p>No answer names a code");
    if (counted) {
        page_put(page, "; the one in ");
        page_frames_word(page, counted->bus, counted->last_frame, counted->last_frame);
        page_put(page, " counts ");
        page_number(page, counted->codes);
    }
    page_put(page, ".</p>\n");
}

void page_codes(struct page *page)
{
    const struct report *report = page->report;
    page_put(page, "<section>\n<h2>Trouble codes</h2>\n<p>");
    if (report->read_count == 0) {
        page_put(page, "No list of trouble codes is on record.");
    } else {
        page_put(page, "The module told its codes ");
        page_times(page, report->read_count);
        page_put(page, ".");
    }
    if (report->clear_count) {
        page_put(page, " They were cleared ");
        page_times(page, report->clear_count);
        page_put(page, ", last at ");
        page_time(page, report->clear_time);
        page_put(page, ", frame ");
        page_number(page, report->clear_frame);
        page_put(page, report->clear_read == report->read_count ? "; they were not read after that.</p>\n" : ".</p>\n");
    } else {
        page_put(page, " No clear was accepted.</p>\n");
    }
    if (report->code_count == 0 && report->read_count)
        put_none_named(page);
    if (report->code_count) {
        page_table(page, "Codes as one list of changes", "Code|What became of it|When first listed|When last listed");
        for (uint32_t i = 0; i < report->code_count; i++)
            put_code(page, &report->codes[i]);
        page_table_end(page);
        page_more(page, report->codes_left_out, "entries of code lists");
    }
    page_put(page, "</section>\n");
}

/* ---- losses ---- */

static void put_counts(struct page *page)
{
    const struct report *report = page->report;
    page_put(page, "<p>The scan tool asked ");
    page_count(page, report->questions, "question");
    page_put(page, " of the described modules: ");
    page_number(page, report->answered);
    page_put(page, " answered in time, ");
    page_number(page, report->late);
    page_put(page, " late, ");
    page_number(page, report->refused_in_time);
    page_put(page, " refused, ");
    page_number(page, report->suppressed);
    page_put(page, " that wanted no answer, ");
    page_number(page, report->unanswered);
    page_put(page, " without an answer, ");
    page_number(page, report->cut);
    page_put(page, " cut off by the end of the record.");
    if (report->unsolicited) {
        page_put(page, " Nobody asked for ");
        page_count(page, report->unsolicited, "further answer");
        page_put(page, ".");
    }
    if (!report->warning_count)
        page_put(page, " No question concerned pyrotechnics.");
    page_put(page, "</p>\n");
}

void page_losses(struct page *page)
{
    const struct report *report = page->report;
    page_put(page, "<section>\n<h2>What was lost, broken or not understood</h2>\n");
    put_counts(page);
    if (report->fault_count == 0) {
        page_put(page, "<p>No frame or message was found broken.</p>\n");
    } else {
        page_table(page, "What could not be used", "What|How often|First at|Frames");
        for (uint32_t i = 0; i < report->fault_count; i++) {
            const struct report_fault *fault = &report->faults[i];
            page_put(page, "<tr><th scope=\"row\">");
            page_text(page, fault->stage);
            page_put(page, ": ");
            page_text(page, fault->reason);
            page_put(page, "</th><td>");
            page_number(page, fault->count);
            page_put(page, "</td><td>");
            if (fault->first_frame)
                page_time(page, fault->first_time);
            else
                page_put(page, "none");
            page_put(page, "</td><td>");
            page_frames(page, fault->first_frame, fault->last_frame);
            page_put(page, "</td></tr>\n");
        }
        page_table_end(page);
        page_more(page, report->faults_left_out, "faults");
    }
    if (report->unknown_count) {
        page_table(page, "Answers that no definition file describes", "Module|Identifier|How often|First frame");
        for (uint32_t i = 0; i < report->unknown_count; i++) {
            const struct report_unknown *unknown = &report->unknown[i];
            page_put(page, "<tr><th scope=\"row\">");
            page_text(page, view_module_name(report->view, unknown->module));
            page_put(page, "</th><td>");
            if (unknown->has_key) {
                page_put(page, "<code>0x");
                sink_hex_number(page->sink, unknown->key, 4);
                page_put(page, "</code>");
            } else {
                page_put(page, "none");
            }
            page_put(page, "</td><td>");
            page_number(page, unknown->count);
            page_put(page, "</td><td>");
            page_number(page, unknown->first_frame);
            page_put(page, "</td></tr>\n");
        }
        page_table_end(page);
        page_more(page, report->unknown_left_out, "undescribed answers");
    }
    page_put(page, "</section>\n");
}

/* ---- identities and files ---- */

void page_identities(struct page *page)
{
    const struct report *report = page->report;
    page_put(page, "<section>\n<h2>Identities</h2>\n");
    if (report->identity_count == 0) {
        page_put(page, "<p>No module told its identity in this record.</p>\n</section>\n");
        return;
    }
    page_table(page, "What modules said of themselves", "What|Text|How often|First and last time");
    for (uint32_t i = 0; i < report->identity_count; i++) {
        const struct report_identity *identity = &report->identities[i];
        const char *name = identity->reading == DEF_NONE ? standard_identifier_name(identity->identifier) : NULL;
        uint32_t kept = identity->length < REPORT_IDENTITY_TEXT ? identity->length : REPORT_IDENTITY_TEXT;
        page_put(page, "<tr><th scope=\"row\">");
        page_text(page, view_module_name(report->view, identity->module));
        page_put(page, ", ");
        if (identity->reading != DEF_NONE) {
            page_text(page, page->definitions->readings[identity->reading].name);
        } else if (name) {
            page_text(page, name);
        } else {
            page_put(page, "identifier 0x");
            sink_hex_number(page->sink, identity->identifier, 4);
        }
        page_put(page, "</th><td>");
        page_text_of(page, identity->text, kept);
        if (kept < identity->length)
            page_put(page, " (longer)");
        page_put(page, "</td><td>");
        page_number(page, identity->count);
        page_put(page, "</td><td>");
        page_frames(page, identity->first_frame, identity->last_frame);
        page_put(page, "</td></tr>\n");
    }
    page_table_end(page);
    page_more(page, report->identities_left_out, "texts");
    page_put(page, "</section>\n");
}

static void put_hash(struct page *page, const char *hash)
{
    page_put(page, "<code class=\"hash\">");
    page_text(page, hash);
    page_put(page, "</code>");
}

void page_files(struct page *page)
{
    const struct verdict_about *about = page->about;
    char name[PIPELINE_FILE_NAME];
    page_put(page, "<section>\n<h2>Files</h2>\n<p>This page follows from these files alone. Check their sums with "
                   "<code>sha256sum</code>.</p>\n");
    page_table(page, "What this was made from, with SHA-256 sums", "File|What it is|SHA-256");
    for (uint32_t i = 0; i < about->trace_count; i++) {
        const struct trace_facts *trace = &about->traces[i];
        page_put(page, "<tr><th scope=\"row\">");
        page_text(page, page_trace_file(page, trace->file, name));
        page_put(page, "</th><td>raw frames of bus ");
        page_text(page, trace->bus);
        page_put(page, ": ");
        page_count(page, trace->frames, "frame");
        page_put(page, ", ");
        page_count(page, trace->bytes, "byte");
        page_put(page, trace->status == TRACE_END    ? ", whole"
                       : trace->status == TRACE_TORN ? ", its last record is cut off"
                                                     : ", damaged");
        if (trace->original) {
            page_put(page, "; interface ");
            page_number(page, trace->interface);
            if (trace->interface_name[0]) {
                page_put(page, " (");
                page_text(page, trace->interface_name);
                page_put(page, ")");
            }
            page_put(page, " of a pcapng file with the sum ");
            put_hash(page, trace->original);
        }
        page_put(page, "</td><td>");
        put_hash(page, trace->sha256);
        page_put(page, "</td></tr>\n");
    }
    for (uint32_t i = 0; i < page->definitions->file_count; i++) {
        page_put(page, "<tr><th scope=\"row\">definitions/");
        page_text(page, page->definitions->files[i].name);
        page_put(page, "</th><td>readings, limits and steps</td><td>");
        put_hash(page, page->definitions->files[i].sha256);
        page_put(page, "</td></tr>\n");
    }
    if (about->recorded)
        page_put(page, "<tr><th scope=\"row\">recorder.jsonl</th><td>the recorder's log</td><td>each line carries the sum "
                       "of the one before it; a seal names the whole</td></tr>\n");
    if (about->marks) {
        page_put(page, "<tr><th scope=\"row\">marks.jsonl</th><td>");
        page_count(page, about->marks->count, "note");
        page_put(page, " of a person</td><td>");
        put_hash(page, about->marks->sha256);
        page_put(page, "</td></tr>\n");
    }
    page_table_end(page);
    page_put(page, "<p>Beside this page in the folder: verdict.json (the same verdict for programs), log.jsonl (every "
                   "question, answer, reading and fault) and readings.csv (every reading). To walk any value back to "
                   "its bytes: <code>taretrace explain JOB \"READING@FRAME\"</code>, or "
                   "<code>taretrace explain JOB \"STEP\"</code>.</p>\n</section>\n");
}

/* ---- D 13 and FACTS 14 ---- */

void page_claims(struct page *page)
{
    page_put(
        page,
        "<section>\n<h2>What this does not claim</h2>\n<ul>"
        "<li>It is no substitute for the vehicle maker's procedure, and certifies no airbag system.</li>"
        "<li>It cannot know what no bus carried: whether the seat was empty and dry, what lay on it, how heavy the "
        "test weight really was, whether the car stood level. A person's note says what that person wrote, no "
        "more.</li>"
        "<li>An answer of a module is the module's own claim. The record shows what was answered, not that the sensors "
        "are sound.</li>"
        "<li>It does not show that the frames came from this car. A seal, if there is one, shows who signed which "
        "bytes, "
        "not what happened in the workshop.</li>"
        "<li>A step that is not confirmed is no proof of a fault, and one that is confirmed is no proof that the "
        "airbag "
        "will do the right thing.</li></ul>\n"
        "<h2>Cautions</h2>\n<ul>"
        "<li>Work near airbags and belt tensioners is for qualified technicians. The maker's service information and "
        "local rules come first.</li>"
        "<li>Before touching the restraint system: ignition off, battery disconnected, and the waiting time that the "
        "maker gives for this vehicle. Read and save trouble codes before disconnecting.</li>"
        "<li>Never probe, measure or repair the wiring of airbags and belt tensioners, and never put a test lamp or "
        "ohmmeter to a squib.</li>"
        "<li>Do not drop or shock seat, sensors or control unit, take load sensors off their frame, or swap parts "
        "between cars to find a fault.</li>"
        "<li>Zero the scale only as the maker says: empty and dry seat, level ground, nothing beneath the seat. Check "
        "it "
        "with a solid weight that was itself weighed.</li></ul>\n</section>\n");
}
