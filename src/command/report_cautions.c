#include "command/report_cautions.h"

#include "command/describe.h"
#include "command/tip_words.h"

#include <math.h>

/* The flag that most of the pixels in a state carry; -1 = none. */
static int commonest(const struct maps_view *v, enum pixel_state state, enum severity severity,
                     size_t *count)
{
    size_t n[FLAG_COUNT] = {0};
    int first = -1;
    for (size_t i = 0; i < v->nx * v->ny; i++)
        for (int f = 0; v->state[i] == state && f < FLAG_COUNT; f++)
            n[f] += v->flags[i] >> f & 1;
    *count = 0;
    for (int f = 0; f < FLAG_COUNT; f++)
        if (flag_rows[f].severity == severity && n[f] > *count) {
            *count = n[f];
            first = f;
        }
    return first;
}

static enum status caution_state(struct html_report *r, const struct maps_view *v,
                                 enum pixel_state state, const char *what, struct report *rep)
{
    const size_t n = v->summary.state[state], all = v->nx * v->ny;
    size_t count;
    if (n == 0) return ST_OK;
    int flag = commonest(v, state, state == STATE_rejected ? SEVERITY_REJECT : SEVERITY_DOUBT,
                         &count);
    if (flag < 0)
        return html_report_caution(r, rep, "%zu of %zu pixels (%.3g %%) are %s.", n, all,
                                   100 * (double)n / (double)all, what);
    return html_report_caution(r, rep, "%zu of %zu pixels (%.3g %%) are %s. Most often: %s (%zu).",
                               n, all, 100 * (double)n / (double)all, what, flag_rows[flag].words,
                               count);
}

static enum status caution_budget(struct html_report *r, const struct maps_view *v,
                                  struct report *rep)
{
    enum status st = ST_OK;
    if (!v->has_budget)
        return html_report_caution(r, rep,
                                   "What calibration, tip and sample values do to the whole map is "
                                   "not known: the file has no uncertainty budget.");
    for (int q = 0; q < BUDGET_COUNT && st == ST_OK; q++) {
        const struct budget_result *b = &v->budget.result[q];
        if (!b->there) continue;
        const char *words = map_rows[budget_maps[q]].words;
        st = html_report_caution(
            r, rep,
            "The whole map of %s may be off by a common factor: relative standard uncertainty "
            "%s%.2g %%%s. It is no part of the pixels' standard errors.",
            words, b->complete ? "" : "at least ", 100 * b->combined,
            b->complete ? "" : ", because some inputs have no stated uncertainty");
        if (st == ST_OK && b->differs)
            st = html_report_caution(r, rep,
                                     "The uncertainty of %s is not linear in its inputs: use the "
                                     "interval from the Monte Carlo draws.",
                                     words);
    }
    return st;
}

static enum status caution_tip(struct html_report *r, const struct maps_view *v, struct report *rep)
{
    enum status st = ST_OK;
    char words[512];
    for (size_t i = 0; i < v->summary.tip.n && st == ST_OK; i++) {
        tip_words(&v->summary.tip.at[i], words, sizeof words);
        st = html_report_caution(r, rep, "The tip may have changed during the map: %s.", words);
    }
    return st;
}

enum status report_caution_maps(struct html_report *r, const struct maps_view *v,
                                struct report *rep)
{
    enum status st = ST_OK;
    if (v->summary.state[STATE_pending])
        st = html_report_caution(r, rep,
                                 "The map file is not finished: %zu of %zu pixels are still to be "
                                 "computed.",
                                 v->summary.state[STATE_pending], v->nx * v->ny);
    if (st == ST_OK)
        st = caution_state(r, v, STATE_rejected,
                           "rejected: their fitted values, where there are any, are not to be used",
                           rep);
    if (st == ST_OK)
        st = caution_state(r, v, STATE_doubtful, "doubtful: look at them before using them", rep);
    if (st == ST_OK) st = caution_tip(r, v, rep);
    if (st == ST_OK) st = caution_budget(r, v, rep);
    if (st == ST_OK)
        st = html_report_caution(r, rep,
                                 "The \u00b1 beside a value is one standard error from the noise "
                                 "of that curve alone. Pixels of one map are no independent "
                                 "repetitions of an experiment.");
    return st;
}
