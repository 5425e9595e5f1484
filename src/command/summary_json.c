/* A summary for programs: one JSON object, or CSV. SI units. */
#include "command/summary.h"

#include "command/describe.h"

#include <math.h>
#include <stdio.h>

/* --- JSON --- */

static json_t *json_flags(const size_t *flag)
{
    json_t *out = json_object();
    for (int f = 0; f < FLAG_COUNT; f++)
        if (flag[f]) json_object_set_new(out, flag_rows[f].name, json_integer((json_int_t)flag[f]));
    return out;
}

static json_t *json_pixels(const struct summary_all *a)
{
    json_t *states = json_object();
    for (int s = 0; s < STATE_COUNT; s++)
        json_object_set_new(states, state_rows[s].name, json_integer((json_int_t)a->state[s]));
    return json_pack("{s:I, s:I, s:b, s:o, s:o, s:o}", "in_file",
                     (json_int_t)(a->view->ny * a->view->nx), "chosen", (json_int_t)a->chosen,
                     "with_rejected", a->with_rejected, "states", states, "rejected_flags",
                     json_flags(a->rejected_flag), "doubtful_flags", json_flags(a->doubtful_flag));
}

static json_t *json_median(const struct summary_all *a, const struct summary *s)
{
    return json_pack("{s:o, s:o, s:o, s:o, s:f, s:I, s:I, s:I, s:I, s:o, s:s}", "value",
                     describe_real(s->robust.median), "standard_error", describe_real(s->median_se),
                     "low", describe_real(s->low), "high", describe_real(s->high), "coverage",
                     SUMMARY_COVERAGE, "draws", (json_int_t)s->draws, "seed",
                     (json_int_t)a->wish->seed, "block_rows", (json_int_t)s->correlation.block_y,
                     "block_columns", (json_int_t)s->correlation.block_x, "lower_percentile",
                     describe_real(100 * s->level), "method",
                     "percentiles of a circular block bootstrap");
}

static json_t *json_correlation(const struct correlation *c)
{
    return json_pack("{s:I, s:I, s:f, s:f}", "reach_rows", (json_int_t)c->reach_y, "reach_columns",
                     (json_int_t)c->reach_x, "variance_inflation", c->inflation,
                     "independent_pixels", c->n_effective);
}

static json_t *json_quantiles(const struct robust *r)
{
    json_t *out = json_object();
    for (int i = 0; i < ROBUST_QUANTILES; i++) {
        char name[16];
        snprintf(name, sizeof name, "%g", robust_levels[i]);
        json_object_set_new(out, name, describe_real(r->quantile[i]));
    }
    return out;
}

static json_t *json_lognormal(const struct lognormal *l)
{
    if (!l->there) return json_null();
    return json_pack("{s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:o}", "geometric_mean", exp(l->mu), "mu",
                     l->mu, "sigma", l->sigma, "mu_standard_error", l->mu_se, "anderson_darling",
                     l->a2, "p_independent", l->p, "p_correlated", l->p_correlated,
                     "largest_distance", describe_real(l->distance));
}

static json_t *json_phase(const struct phases *f, int j)
{
    const struct mixture *m = &f->fit[f->chosen - 1];
    double average = summary_phase_mean(m, j);
    return json_pack("{s:i, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "phase", j + 1,
                     "area_fraction", describe_real(f->fraction[j]), "area_assigned",
                     describe_real(f->assigned[j]), "weight", describe_real(m->weight[j]),
                     "weight_standard_error", describe_real(f->weight_se[j]), "mean",
                     describe_real(average), "mean_standard_error",
                     describe_real(average * f->average_se[j]), "geometric_mean",
                     describe_real(exp(m->mean[j])), "mu", describe_real(m->mean[j]),
                     "mu_standard_error", describe_real(f->mean_se[j]), "sigma",
                     describe_real(m->sd[j]), "sigma_standard_error", describe_real(f->sd_se[j]));
}

static json_t *json_phases(const struct summary_all *a, const struct phases *f)
{
    json_t *tried = json_array(), *list = json_array();
    for (int k = 0; k < f->tried; k++)
        json_array_append_new(
            tried, json_pack("{s:i, s:o, s:o, s:f, s:b, s:b}", "phases", k + 1, "log_likelihood",
                             describe_real(f->fit[k].log_likelihood), "bic",
                             describe_real(f->bic[k]), "independent_pixels", f->n_effective[k],
                             "converged", f->fit[k].converged, "at_narrowest", f->fit[k].at_floor));
    for (int j = 0; j < f->chosen; j++)
        json_array_append_new(list, json_phase(f, j));
    return json_pack("{s:i, s:b, s:i, s:i, s:I, s:o, s:o}", "chosen", f->chosen, "asked",
                     a->wish->phases_asked > 0, "by_bic", f->by_bic, "by_weighted_bic",
                     f->by_weighted, "draws", (json_int_t)f->draws, "phases", list, "tried", tried);
}

static json_t *json_part(const struct summary_all *a, const struct map_summary_part *p)
{
    const struct summary *s = &p->s;
    json_t *calibration = isnan(p->budget)
                              ? json_null()
                              : json_pack("{s:f, s:b}", "relative_standard_uncertainty", p->budget,
                                          "complete", p->budget_complete);
    return json_pack("{s:s, s:I, s:I, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "unit",
                     map_rows[p->id].si_unit, "n", (json_int_t)s->robust.n, "without_value",
                     (json_int_t)p->without_value, "not_positive", (json_int_t)s->not_positive,
                     "median", json_median(a, s), "mad", describe_real(s->robust.mad), "mean",
                     describe_real(s->robust.mean), "standard_deviation",
                     describe_real(s->robust.sd), "quantiles", json_quantiles(&s->robust),
                     "correlation", json_correlation(&s->correlation), "calibration", calibration,
                     "lognormal", json_lognormal(&s->lognormal), "phases",
                     s->has_phases ? json_phases(a, &s->phases) : json_null());
}

enum status summary_print_json(const struct summary_all *a, struct report *rep)
{
    json_t *maps = json_object();
    for (size_t k = 0; k < a->n_parts; k++) {
        char label[64];
        map_label((int)a->part[k].id, label);
        json_object_set_new(maps, label, json_part(a, &a->part[k]));
    }
    return describe_print(json_pack("{s:s, s:o, s:s, s:s, s:o, s:o, s:o}", "kind", "summary",
                                    "path", describe_text(a->view->path), "title", a->view->title,
                                    "digest", a->view->summary.digest, "mask",
                                    a->mask ? describe_text(a->mask) : json_null(), "pixels",
                                    json_pixels(a), "maps", maps),
                          rep);
}

/* --- CSV (RFC 4180, but for the line ends) --- */

static void put_number(double value)
{
    if (isfinite(value))
        printf(",%.9g", value);
    else
        putchar(',');
}

static void row(const char *map, int phase, const char *quantity, const char *unit, double value,
                double se)
{
    printf("%s,", map);
    if (phase) printf("%d", phase);
    printf(",%s,%s", quantity, unit);
    put_number(value);
    put_number(se);
}

static void plain(const char *map, int phase, const char *quantity, const char *unit, double value,
                  double se)
{
    row(map, phase, quantity, unit, value, se);
    puts(",,");
}

static void csv_counts(const struct summary_all *a)
{
    char name[80];
    plain("", 0, "pixels_in_file", "1", (double)(a->view->ny * a->view->nx), NAN);
    plain("", 0, "pixels_chosen", "1", (double)a->chosen, NAN);
    for (int s = 0; s < STATE_COUNT; s++) {
        snprintf(name, sizeof name, "state_%s", state_rows[s].name);
        plain("", 0, name, "1", (double)a->state[s], NAN);
    }
    for (int f = 0; f < FLAG_COUNT; f++) {
        if (!a->rejected_flag[f] && !a->doubtful_flag[f]) continue;
        snprintf(name, sizeof name, "rejected_with_%s", flag_rows[f].name);
        plain("", 0, name, "1", (double)a->rejected_flag[f], NAN);
        snprintf(name, sizeof name, "doubtful_with_%s", flag_rows[f].name);
        plain("", 0, name, "1", (double)a->doubtful_flag[f], NAN);
    }
}

static void csv_phases(const char *map, const char *unit, const struct phases *f)
{
    const struct mixture *m = &f->fit[f->chosen - 1];
    plain(map, 0, "phases", "1", f->chosen, NAN);
    plain(map, 0, "phases_by_bic_of_independent_pixels", "1", f->by_bic, NAN);
    for (int j = 0; j < f->chosen; j++) {
        double average = summary_phase_mean(m, j), middle = exp(m->mean[j]);
        plain(map, j + 1, "area_fraction", "1", f->fraction[j], f->weight_se[j]);
        plain(map, j + 1, "mean", unit, average, average * f->average_se[j]);
        plain(map, j + 1, "geometric_mean", unit, middle, middle * f->mean_se[j]);
        plain(map, j + 1, "sigma", "1", m->sd[j], f->sd_se[j]);
    }
}

static void csv_part(const struct map_summary_part *p)
{
    const char *unit = map_rows[p->id].si_unit;
    const struct summary *s = &p->s;
    char name[32], map[64];
    map_label((int)p->id, map);
    plain(map, 0, "pixels_used", "1", (double)s->robust.n, NAN);
    plain(map, 0, "pixels_without_value", "1", (double)p->without_value, NAN);
    plain(map, 0, "independent_pixels", "1", s->correlation.n_effective, NAN);
    row(map, 0, "median", unit, s->robust.median, s->median_se);
    put_number(s->low);
    put_number(s->high);
    puts("");
    plain(map, 0, "calibration_relative_uncertainty", "1", p->budget, NAN);
    plain(map, 0, "mad", unit, s->robust.mad, NAN);
    plain(map, 0, "mean", unit, s->robust.mean, NAN);
    plain(map, 0, "standard_deviation", unit, s->robust.sd, NAN);
    for (int i = 0; i < ROBUST_QUANTILES; i++) {
        snprintf(name, sizeof name, "quantile_%g", robust_levels[i]);
        plain(map, 0, name, unit, s->robust.quantile[i], NAN);
    }
    if (s->lognormal.there) {
        plain(map, 0, "lognormal_geometric_mean", unit, exp(s->lognormal.mu),
              exp(s->lognormal.mu) * s->lognormal.mu_se);
        plain(map, 0, "lognormal_sigma", "1", s->lognormal.sigma, NAN);
        plain(map, 0, "lognormal_p_independent", "1", s->lognormal.p, NAN);
        plain(map, 0, "lognormal_p_correlated", "1", s->lognormal.p_correlated, NAN);
    }
    if (s->has_phases) csv_phases(map, unit, &s->phases);
}

void summary_print_csv(const struct summary_all *a)
{
    puts("map,phase,quantity,unit,value,standard_error,low_95,high_95");
    csv_counts(a);
    for (size_t k = 0; k < a->n_parts; k++)
        csv_part(&a->part[k]);
}
