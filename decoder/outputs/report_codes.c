/* What the module's answers about trouble codes say together: each code once, with how it changed (D 9.7). */
#include "report_collect.h"

#include "../support/bytes.h"

#define NOT_TESTED 0x10 /* testNotCompletedSinceLastClear, ISO 14229-1 D.2 */
#define ALL_GROUPS 0xFF00 /* ISO 14230-3: a question for the codes of one group says nothing of the others */

static struct report_code *code_of(struct report *report, uint32_t module, uint32_t number, bool two_byte)
{
    for (uint32_t i = 0; i < report->code_count; i++) {
        struct report_code *code = &report->codes[i];
        if (code->module == module && code->code == number && code->two_byte == two_byte)
            return code;
    }
    return NULL;
}

/* Would this answer have listed a code with these status bits? */
static bool would_list(const struct report_code_read *read, uint8_t status)
{
    return read->is_count ? false : !read->has_mask ? true : (read->mask & status) != 0;
}

static void list_code(struct report *report, const struct report_code_read *read, uint32_t number, uint8_t status)
{
    struct report_code *code = code_of(report, read->module, number, read->two_byte);
    if (!code) {
        if (report->code_count == REPORT_CODES) {
            report->codes_left_out++;
            return;
        }
        code = &report->codes[report->code_count++];
        *code = (struct report_code){.module = read->module, .code = number, .two_byte = read->two_byte,
                                     .first_status = status, .first_time = read->time, .first_frame = read->last_frame,
                                     .first_read = report->read_count};
        /* New, if an answer before would have listed it. The kept ones are the first; they suffice to say so. */
        uint64_t earlier = report->read_count < REPORT_CODE_READS ? report->read_count : REPORT_CODE_READS;
        for (uint64_t i = 0; i < earlier; i++)
            if (report->reads[i].module == read->module && would_list(&report->reads[i], status))
                code->absent_before = true;
    }
    code->status = status;
    code->was_fault = code->was_fault || read->two_byte || (status & FAULT_BITS);
    code->time = read->time;
    code->frame = read->last_frame;
    code->last_read = report->read_count;
    code->gone = code->gone_tested = false;
}

void report_codes_answer(struct report *report, const struct exchange_event *event,
                         const struct service_content *content)
{
    const struct exchange *exchange = event->exchange;
    const struct message *answer = event->response;
    const bool two_byte = content->kind == SERVICE_CODES_14230;
    const struct report_code_read read = {
        .module = exchange->module, .bus = exchange->bus, .time = exchange->response.last_time,
        .first_frame = exchange->response.first_frame, .last_frame = exchange->response.last_frame,
        .count = content->count, .mask = content->mask, .is_count = content->is_count, .two_byte = two_byte,
        .has_mask = !two_byte && !content->is_supported, .service = exchange->service,
        .sub_function = content->sub_function};
    struct bytes cursor = bytes_of(answer->bytes, answer->received);
    bytes_skip(&cursor, content->entries_offset);
    for (uint32_t i = 0; !read.is_count && i < content->count; i++) {
        uint32_t number = two_byte ? bytes_be16(&cursor) : bytes_be24(&cursor);
        uint8_t status = bytes_u8(&cursor);
        if (cursor.bad)
            break;
        list_code(report, &read, number, status);
    }
    /* What it would have listed and did not is gone: by the status that the code last had, the bits of a question that
     * only one of several could own counting for nothing. */
    for (uint32_t i = 0; i < report->code_count; i++) {
        struct report_code *code = &report->codes[i];
        bool covered = read.has_mask ? content->has_mask && would_list(&read, code->status & (uint8_t)~NOT_TESTED)
                                     : (!two_byte || content->group == ALL_GROUPS) && would_list(&read, code->status);
        if (code->module != read.module || code->two_byte != two_byte || code->last_read == report->read_count ||
            code->gone || !covered)
            continue;
        code->gone = true;
        code->gone_tested = read.has_mask && (read.mask & NOT_TESTED) && (content->availability & NOT_TESTED);
        code->gone_frame = read.last_frame;
        code->gone_time = read.time;
    }
    if (report->read_count < REPORT_CODE_READS)
        report->reads[report->read_count] = read;
    report->read_count++;
}
