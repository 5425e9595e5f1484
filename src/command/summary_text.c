/* A summary for people. */
#include "command/summary.h"

#include "command/describe.h"

#include <math.h>
#include <stdio.h>

double summary_phase_mean(const struct mixture *m, int phase)
{
    return exp(m->mean[phase] + m->sd[phase] * m->sd[phase] / 2);
}

static void print_flags(const size_t *flag, const char *state, bool used)
{
    for (int f = 0; f < FLAG_COUNT; f++)
        if (flag[f])
            describe_line("", "%8zu    %s, %s: %s (%s)", flag[f], state, used ? "used" : "not used",
                          flag_rows[f].name, flag_rows[f].words);
}

static void print_pixels(const struct summary_all *a)
{
    const struct maps_view *v = a->view;
    size_t used = 0;
    for (int s = 0; s < STATE_COUNT; s++)
        if (summary_uses(a, (uint8_t)s)) used += a->state[s];
    describe_line("pixels", "%8zu in the file", v->ny * v->nx);
    if (a->mask) describe_line("", "%8zu chosen by the mask %s", a->chosen, a->mask);
    describe_line("", "%8zu used", used);
    for (int s = 0; s < STATE_COUNT; s++)
        if (a->state[s])
            describe_line("", "%8zu  %s, %s", a->state[s], state_rows[s].name,
                          summary_uses(a, (uint8_t)s) ? "used" : "not used");
    print_flags(a->rejected_flag, "rejected", a->with_rejected);
    print_flags(a->doubtful_flag, "doubtful", true);
}

static void show(double value, const struct map_summary_part *p, char out[48])
{
    describe_value(value, map_rows[p->id].si_unit, out, 48);
}

static void print_median(const struct summary_all *a, const struct map_summary_part *p)
{
    char median[48], low[48], high[48], se[48], label[64];
    const struct summary *s = &p->s;
    map_label((int)p->id, label);
    show(s->robust.median, p, median);
    show(s->low, p, low);
    show(s->high, p, high);
    show(s->median_se, p, se);
    if (s->draws == 0) {
        describe_line(label, "median %s of %zu pixels", median, s->robust.n);
        return;
    }
    if (isnan(s->low)) {
        describe_line(label, "median %s of %zu pixel%s, too few for an interval", median,
                      s->robust.n, s->robust.n == 1 ? "" : "s");
        return;
    }
    describe_line(label, "median %s, 95 %% between %s and %s; %zu pixels", median, low, high,
                  s->robust.n);
    describe_line("",
                  "  standard error %s: scatter of this sample alone, from %zu draws of blocks of "
                  "%zu x %zu pixels, seed %lu",
                  se, s->draws, s->correlation.block_y, s->correlation.block_x, a->wish->seed);
    describe_line("",
                  "  pixels resemble each other over %zu rows, %zu columns: worth %.0f "
                  "independent ones",
                  s->correlation.reach_y, s->correlation.reach_x, s->correlation.n_effective);
}

static void print_budget(const struct map_summary_part *p)
{
    if (isnan(p->budget))
        describe_line("", "  uncertainty of the calibration: not in the file");
    else
        describe_line("",
                      "  uncertainty of the calibration, common to all pixels and not in the "
                      "interval: %s%.2g %%",
                      p->budget_complete ? "" : "at least ", 100 * p->budget);
}

static void print_quantiles(const struct map_summary_part *p)
{
    char text[3][48];
    const struct robust *r = &p->s.robust;
    show(r->mad, p, text[0]);
    show(r->mean, p, text[1]);
    show(r->sd, p, text[2]);
    describe_line("",
                  "  MAD %s (as a standard deviation: times 1.4826); mean %s, standard "
                  "deviation %s",
                  text[0], text[1], text[2]);
    for (int i = 0; i < ROBUST_QUANTILES; i++) {
        show(r->quantile[i], p, text[0]);
        describe_line("", "  %5.1f %%  %s", 100 * robust_levels[i], text[0]);
    }
}

/* The formula ends where p does not matter any more. */
static const char *p_words(double p, char out[32])
{
    snprintf(out, 32, p < 1e-30 ? "below 1e-30" : "%.2g", p);
    return out;
}

static void print_lognormal(const struct map_summary_part *p)
{
    const struct lognormal *l = &p->s.lognormal;
    char middle[48], text[2][32];
    if (p->s.not_positive)
        describe_line("", "  %zu values are not above zero and have no logarithm",
                      p->s.not_positive);
    if (!l->there) return;
    show(exp(l->mu), p, middle);
    describe_line("", "  log-normal: geometric mean %s, geometric standard deviation %.4g", middle,
                  exp(l->sigma));
    describe_line("",
                  "    does it fit? largest distance of the distributions %.3g; Anderson-Darling "
                  "%.3g, p %s for independent pixels, %s for correlated ones",
                  l->distance, l->a2, p_words(l->p, text[0]), p_words(l->p_correlated, text[1]));
}

static void print_phase(const struct map_summary_part *p, int j)
{
    const struct phases *f = &p->s.phases;
    const struct mixture *m = &f->fit[f->chosen - 1];
    char mean[48], se[48], middle[48];
    double average = summary_phase_mean(m, j);
    show(average, p, mean);
    show(average * f->average_se[j], p, se);
    show(exp(m->mean[j]), p, middle);
    describe_line("",
                  "    phase %d: area fraction %.1f %% (standard error %.1f %%), mean %s "
                  "(standard error %s), geometric mean %s, geometric standard deviation %.3g",
                  j + 1, 100 * f->fraction[j], 100 * f->weight_se[j], mean, se, middle,
                  exp(m->sd[j]));
}

static void print_phases(const struct summary_all *a, const struct map_summary_part *p)
{
    const struct phases *f = &p->s.phases;
    if (!p->s.has_phases) return;
    describe_line("",
                  "  phases: %d%s; BIC says %d if pixels were independent, %d with what they are "
                  "worth",
                  f->chosen, a->wish->phases_asked ? " (as asked)" : "", f->by_bic, f->by_weighted);
    for (int j = 0; j < f->chosen; j++)
        print_phase(p, j);
    if (f->fit[f->chosen - 1].at_floor)
        describe_line("", "    one of them is as narrow as is let be: do not trust it");
    if (f->chosen > 2 && !a->wish->phases_asked)
        describe_line(
            "",
            "    a wide phase between two others is often their border, pixels that touch "
            "both: compare --phases %d",
            f->chosen - 1);
    size_t used = p->s.robust.n, missing = a->chosen - used;
    if (missing)
        describe_line("",
                      "    of the chosen pixels %zu (%.1f %%) have no usable value: they are in no "
                      "fraction",
                      missing, 100 * (double)missing / (double)a->chosen);
}

void summary_print(const struct summary_all *a)
{
    describe_line("map file", "%s", a->view->path);
    describe_line("title", "%s", *a->view->title ? a->view->title : "none");
    print_pixels(a);
    for (size_t k = 0; k < a->n_parts; k++) {
        const struct map_summary_part *p = &a->part[k];
        char label[64];
        map_label((int)p->id, label);
        if (p->without_value)
            describe_line("", "%8zu used pixels have no %s", p->without_value, label);
        if (p->s.robust.n == 0) {
            describe_line(label, "no value");
            continue;
        }
        print_median(a, p);
        print_budget(p);
        print_quantiles(p);
        print_lognormal(p);
        print_phases(a, p);
    }
}
