/* See report_html.h: the frame of the page and its style. No script, no link, nothing from outside: the page says so
 * itself to the browser (Content-Security-Policy). */
#include "report_page.h"

static const char head[] =
    "<!DOCTYPE html>\n"
    "<html lang=\"en\">\n"
    "<head>\n"
    "<meta charset=\"utf-8\">\n"
    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src "
    "data:\">\n"
    "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
    "<meta name=\"color-scheme\" content=\"light dark\">\n"
    "<link rel=\"icon\" href=\"data:,\">\n";

static const char style[] =
    "<style>\n"
    ":root{color-scheme:light dark;--ground:#fff;--ink:#17181a;--soft:#55585e;--line:#c9ccd1;--panel:#f4f5f6;"
    "--mark:#0b4a8f;--hatch:#8d949e}\n"
    "@media (prefers-color-scheme:dark){:root{--ground:#16181b;--ink:#eceef0;--soft:#b3b8bf;--line:#454a52;"
    "--panel:#1f2226;--mark:#9cc9ff;--hatch:#6d7580}}\n"
    "*{box-sizing:border-box}\n"
    "body{margin:0 auto;max-width:60rem;padding:1rem;background:var(--ground);color:var(--ink);"
    "font:1rem/1.5 system-ui,\"Segoe UI\",\"Noto Sans\",\"DejaVu Sans\",Arial,sans-serif;overflow-wrap:break-word}\n"
    "h1{font-size:1.6rem;line-height:1.25;margin:.5rem 0}\n"
    "h2{font-size:1.25rem;margin:2rem 0 .5rem;border-bottom:2px solid var(--ink);padding-bottom:.2rem}\n"
    "h3{font-size:1.1rem;margin:1.5rem 0 .5rem}\n"
    "h4{font-size:1rem;margin:1.5rem 0 .25rem}\n"
    "p,ul,dl{margin:.5rem 0}\n"
    "ul{padding-left:1.3rem}\n"
    "code{font-family:ui-monospace,\"DejaVu Sans Mono\",\"Liberation Mono\",monospace;font-size:.9em}\n"
    ".hash{font-size:.8em}\n"
    ".clock,.more{color:var(--soft);font-size:.9em}\n"
    ".nb,.clock,thead th{white-space:nowrap}\n"
    ".facts th{width:11rem}\n"
    ".whole{font-size:1.15rem;padding:.6rem .8rem;border:3px solid var(--ink);background:var(--panel)}\n"
    ".whole.no,.answer.no{border-style:double}\n"
    ".whole.no{border-width:6px}\n"
    ".whole.open,.answer.open{border-style:dashed}\n"
    ".answer{display:inline-block;border:2px solid var(--ink);padding:0 .5em;font-weight:600;white-space:nowrap;"
    "margin-left:.3em}\n"
    ".answer.no{border-width:4px}\n"
    ".answer.noted{border-style:dotted}\n"
    ".danger{border:6px solid var(--ink);padding:0 1rem;margin:1rem 0;background:var(--panel)}\n"
    ".danger h2{margin-top:.8rem;text-transform:uppercase}\n"
    ".loss{border-left:6px double var(--ink);padding-left:.6rem}\n"
    ".short dt{font-weight:700;margin-top:.6rem}\n"
    ".short dd{margin-left:1rem}\n"
    ".short ul{margin:.1rem 0}\n"
    "table{border-collapse:collapse;width:100%;margin:.3rem 0 .8rem}\n"
    "caption{text-align:left;font-weight:600;padding:.3rem 0}\n"
    "th,td{text-align:left;vertical-align:top;padding:.25rem .5rem .25rem 0;border-bottom:1px solid var(--line);"
    "font-variant-numeric:tabular-nums}\n"
    "thead th{border-bottom:2px solid var(--ink)}\n"
    "tbody th{font-weight:600}\n"
    ".facts td,.hash,dd,li{overflow-wrap:anywhere}\n"
    ".scroll{overflow-x:auto}\n"
    "figure{margin:1rem 0}\n"
    ".wider{display:none}\n"
    "svg{display:block;width:100%;min-width:42rem;height:auto;color:var(--ink);background:var(--ground)}\n"
    ".key{list-style:none;padding:0;columns:2 20rem;font-size:.9em}\n"
    ".key li{break-inside:avoid;padding-left:2.2rem;text-indent:-2.2rem}\n"
    ".key svg{display:inline-block;width:1.8rem;min-width:0;height:1.2rem;vertical-align:middle}\n"
    "svg text{fill:var(--ink);font-size:10px;font-family:inherit;unicode-bidi:isolate}\n"
    "svg .title{font-size:12px;font-weight:600}\n"
    "svg .note,svg .tick{fill:var(--soft)}\n"
    "svg .note,svg .word,svg .title,svg "
    ".number{paint-order:stroke;stroke:var(--ground);stroke-width:3px;stroke-linejoin:round}\n"
    ".axis{stroke:var(--ink);stroke-width:1}\n"
    ".grid{stroke:var(--line);stroke-width:.5}\n"
    ".limit{stroke:var(--ink);stroke-width:1;stroke-dasharray:6 3}\n"
    ".band.one{fill:url(#p-one)}\n"
    ".band.two{fill:url(#p-two)}\n"
    ".hatch{stroke:var(--hatch);stroke-width:.6;fill:none}\n"
    ".hatch.strong{stroke:var(--ink);stroke-width:.8}\n"
    ".dot{fill:var(--ink)}\n"
    ".track{fill:none;stroke:var(--mark);stroke-width:1.8;stroke-linejoin:round;stroke-linecap:round}\n"
    ".decides{fill:none;stroke:var(--ink);stroke-width:1.6}\n"
    ".decided{fill:none;stroke:var(--ink);stroke-width:1;stroke-dasharray:2 2}\n"
    ".attempt{stroke:var(--ink);stroke-width:1.2}\n"
    ".attempt.old{stroke-dasharray:2 3}\n"
    ".state{stroke:var(--ink);stroke-width:1;fill:none}\n"
    ".state.p1{fill:url(#p-one)}\n"
    ".state.p2{fill:url(#p-dots)}\n"
    ".state.p3{fill:url(#p-dense)}\n"
    ".state.none{stroke-dasharray:2 2}\n"
    ".under{fill:var(--ground)}\n"
    ".pause{fill:url(#p-dots);stroke:var(--ink);stroke-width:.6}\n"
    ".cut{fill:var(--panel);stroke:var(--ink);stroke-width:.8;stroke-dasharray:1 3}\n"
    ".sign{fill:var(--ground);stroke:var(--ink);stroke-width:1.4}\n"
    ".sign.full{fill:var(--ink)}\n"
    ".tick-refused{fill:var(--hatch)}\n"
    ".tick-missing{fill:url(#p-dense)}\n"
    ".tick-lost{fill:var(--ink)}\n"
    "@media print{\n"
    ":root{--ground:#fff;--ink:#000;--soft:#333;--line:#999;--panel:#fff;--mark:#000;--hatch:#777}\n"
    "@page{margin:15mm}\n"
    "body{max-width:none;padding:0;font-size:9.5pt}\n"
    ".scroll{overflow:visible}\n"
    "svg{min-width:0}\n"
    "h2,h3,h4,caption{break-after:avoid}\n"
    "article,.part{break-inside:avoid}\n"
    "td,tbody th{overflow-wrap:anywhere}\n"
    "tr,figure,.whole,.danger li{break-inside:avoid}\n"
    "thead{display:table-header-group}\n"
    "}\n"
    "@media screen and (max-width:40rem){body{padding:.6rem}.short dd{margin-left:.3rem}"
    "table{min-width:34rem}.facts{min-width:0}.facts th{width:6.5rem}}\n"
    "@media screen and (max-width:44rem){.wider{display:block}}\n"
    "</style>\n";

void report_html(struct report *report, struct sink *sink, const struct verdict_about *about)
{
    struct page page = {.sink = sink, .report = report, .about = about, .definitions = about->definitions};
    report_settle(report);
    page_put(&page, head);
    page_put(&page, "<title>");
    page_put(&page, "Occupant scale job: ");
    page_put(&page, about->verdict->exit_code == EXIT_CONFIRMED      ? "confirmed"
                    : about->verdict->exit_code == EXIT_CONTRADICTED ? "contradicted"
                                                                     : "not confirmed");
    page_put(&page, "</title>\n");
    page_put(&page, style);
    page_put(&page, "</head>\n<body>\n<main>\n");
    page_opening(&page);
    page_chart(&page);
    page_timeline(&page);
    page_steps(&page);
    page_refusals(&page);
    page_zero(&page);
    page_displayed(&page);
    page_conditions(&page);
    page_codes(&page);
    page_losses(&page);
    page_identities(&page);
    page_files(&page);
    page_claims(&page);
    page_put(&page,
             "</main>\n<footer><p>Written by taretrace " TT_VERSION " from the files named above; the same files "
             "give the same page.</p></footer>\n</body>\n</html>\n");
}
