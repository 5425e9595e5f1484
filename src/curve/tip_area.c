#include "curve/tip_area.h"

#include <gsl/gsl_multifit.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

const char *const area_form_names[FORM_COUNT] = {
#define F(name, a, b, c) #name,
    AREA_FORM_LIST(F)
#undef F
};

static const bool has_term[FORM_COUNT][AREA_TERMS] = {
#define F(name, a, b, c) {a, b, c},
    AREA_FORM_LIST(F)
#undef F
};

void area_of_curve(const struct curve_plan *plan, const struct raw_curve *raw,
                   struct curve_work *work, double reduced_pa, struct area_curve *out)
{
    const uint64_t unfit = FLAG(no_unloading) | FLAG(unloading_exponent) | FLAG(absent);
    struct pixel_result r;
    curve_analyse(plan, raw, work, &r, NULL);
    out->flags = r.flags;
    out->depth_m = r.map[MAP_contact_depth].value;
    out->area_m2 = unloading_area(&plan->unloading.law, r.map[MAP_unloading_stiffness].value,
                                  reduced_pa);
    out->there = !(r.flags & unfit) && out->depth_m > 0 && isfinite(out->area_m2);
}

/* --- the function --- */

static double term(int which, double h)
{
    return which == 0 ? h * h : which == 1 ? h : 1.0;
}

double area_fit_at(const struct area_fit *fit, double depth_m, double *relative_u)
{
    double area = 0, variance = 0;
    for (int i = 0; i < AREA_TERMS; i++) {
        area += fit->coefficient[i] * term(i, depth_m);
        for (int j = 0; j < AREA_TERMS; j++)
            variance += term(i, depth_m) * fit->covariance[i][j] * term(j, depth_m);
    }
    if (relative_u) *relative_u = sqrt(fmax(variance, 0)) / area;
    return area;
}

struct workspace {
    gsl_matrix *x, *cov;
    gsl_vector *y, *c;
    gsl_multifit_linear_workspace *work;
};

static void workspace_free(struct workspace *w)
{
    gsl_matrix_free(w->x);
    gsl_matrix_free(w->cov);
    gsl_vector_free(w->y);
    gsl_vector_free(w->c);
    gsl_multifit_linear_free(w->work);
}

static bool workspace_new(struct workspace *w, size_t n, size_t terms)
{
    w->x = gsl_matrix_alloc(n, terms);
    w->cov = gsl_matrix_alloc(terms, terms);
    w->y = gsl_vector_alloc(n);
    w->c = gsl_vector_alloc(terms);
    w->work = gsl_multifit_linear_alloc(n, terms);
    return w->x && w->cov && w->y && w->c && w->work;
}

/* One weighted solution: every row over the area that the function had before, so that all errors
 * are relative ones. Depths over the middle one, lest the columns differ by many powers of ten. */
static void solve(const struct area_curve *curve, size_t n, enum area_form form,
                  struct workspace *w, const struct area_fit *before, struct area_fit *out)
{
    double rest, scale = out->middle_m;
    size_t row = 0, column, m = out->curves;
    for (size_t i = 0; i < n; i++) {
        if (!curve[i].there) continue;
        double weight = 1.0 /
                        (before ? area_fit_at(before, curve[i].depth_m, NULL) : curve[i].area_m2);
        column = 0;
        for (int t = 0; t < AREA_TERMS; t++)
            if (has_term[form][t])
                gsl_matrix_set(w->x, row, column++, weight * term(t, curve[i].depth_m / scale));
        gsl_vector_set(w->y, row++, weight * curve[i].area_m2);
    }
    column = 0;
    gsl_multifit_linear(w->x, w->y, w->c, w->cov, &rest, w->work);
    for (int t = 0, i = 0; t < AREA_TERMS; t++) {
        out->coefficient[t] = has_term[form][t] ? gsl_vector_get(w->c, (size_t)i) / term(t, scale)
                                                : 0.0;
        for (int u = 0, j = 0; u < AREA_TERMS; u++) {
            bool both = has_term[form][t] && has_term[form][u];
            out->covariance[t][u] = both ? gsl_matrix_get(w->cov, (size_t)i, (size_t)j) /
                                               (term(t, scale) * term(u, scale))
                                         : 0.0;
            j += has_term[form][u];
        }
        i += has_term[form][t];
    }
    out->scatter = sqrt(rest / (double)(m - w->x->size2));
}

static bool is_above_zero(const struct area_fit *fit)
{
    enum { STEPS = 64 };
    for (int i = 0; i <= STEPS; i++) {
        double share = (double)i / STEPS;
        if (!(area_fit_at(fit, fit->lowest_m + share * (fit->highest_m - fit->lowest_m), NULL) > 0))
            return false;
    }
    return true;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void find_depths(const struct area_curve *curve, size_t n, double *scratch,
                        struct area_fit *out)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++)
        if (curve[i].there) scratch[m++] = curve[i].depth_m;
    qsort(scratch, m, sizeof *scratch, by_size);
    out->curves = m;
    if (m == 0) return;
    out->lowest_m = scratch[0];
    out->middle_m = scratch[m / 2];
    out->highest_m = scratch[m - 1];
}

static enum status check_depths(const struct area_fit *fit, size_t n, enum area_form form,
                                size_t terms, struct report *rep)
{
    static const double wide = 1.5; /* below this ratio terms cannot be told from each other */
    if (fit->curves < terms + 4)
        return fail(rep, ST_INPUT,
                    "%zu of %zu curves have an unloading that can be used, too few for the area "
                    "function '%s'; `cantle map` with unloading.analysis: power_law says why",
                    fit->curves, n, area_form_names[form]);
    if (terms > 1 && !(fit->highest_m > wide * fit->lowest_m))
        return fail(rep, ST_INPUT,
                    "the contact depths reach from %.3g to %.3g nm only, so the terms of the area "
                    "function '%s' cannot be told apart; take curves at several peak forces, or "
                    "--area quadratic or linear",
                    1e9 * fit->lowest_m, 1e9 * fit->highest_m, area_form_names[form]);
    return ST_OK;
}

static enum status fit_once(const struct area_curve *curve, size_t n, enum area_form form,
                            double *scratch, struct area_fit *out, struct report *rep)
{
    enum { ROUNDS = 8 };
    struct workspace w = {.cov = NULL};
    size_t terms = 0;
    for (int t = 0; t < AREA_TERMS; t++)
        terms += has_term[form][t];
    find_depths(curve, n, scratch, out);
    enum status st = check_depths(out, n, form, terms, rep);
    if (st == ST_OK && !workspace_new(&w, out->curves, terms))
        st = fail(rep, ST_MEMORY, "not enough memory for %zu areas", out->curves);
    if (st == ST_OK) solve(curve, n, form, &w, NULL, out);
    for (int i = 0; i < ROUNDS && st == ST_OK; i++) {
        struct area_fit before = *out;
        if (is_above_zero(out))
            solve(curve, n, form, &w, &before, out);
        else
            st = fail(rep, ST_INPUT,
                      "the area function '%s' that fits best falls below zero within the depths "
                      "of the curves; choose another --area",
                      area_form_names[form]);
    }
    workspace_free(&w);
    return st;
}

static size_t drop_outliers(struct area_curve *curve, size_t n, double limit, double *scratch,
                            const struct area_fit *fit)
{
    size_t m = 0, dropped = 0;
    for (size_t i = 0; i < n; i++)
        if (curve[i].there)
            scratch[m++] = fabs(log(curve[i].area_m2 / area_fit_at(fit, curve[i].depth_m, NULL)));
    double spread = 1.4826 * gsl_stats_median(scratch, 1, m);
    for (size_t i = 0; i < n; i++)
        if (curve[i].there && fabs(log(curve[i].area_m2 / area_fit_at(fit, curve[i].depth_m,
                                                                      NULL))) > limit * spread) {
            curve[i].there = false;
            dropped++;
        }
    return dropped;
}

enum status area_fit_make(struct area_curve *curve, size_t n, enum area_form form, double limit,
                          struct area_fit *out, struct report *rep)
{
    enum { ROUNDS = 4 };
    double *scratch = malloc((n ? n : 1) * sizeof *scratch);
    size_t outliers = 0, dropped = 1;
    if (!scratch) return fail(rep, ST_MEMORY, "not enough memory for %zu areas", n);
    *out = (struct area_fit){.scatter = NAN};
    enum status st = fit_once(curve, n, form, scratch, out, rep);
    for (int i = 0; i < ROUNDS && st == ST_OK && dropped > 0; i++) {
        dropped = drop_outliers(curve, n, limit, scratch, out);
        outliers += dropped;
        if (dropped > 0) st = fit_once(curve, n, form, scratch, out, rep);
    }
    out->outliers = outliers;
    free(scratch);
    return st;
}

/* --- bins --- */

size_t area_bins(const struct area_curve *curve, size_t n, const struct area_fit *fit,
                 struct area_bin out[AREA_BINS])
{
    enum { FEWEST = 5 };
    struct area_bin all[AREA_BINS] = {{0}};
    double squares[AREA_BINS] = {0}, width = log(fit->highest_m / fit->lowest_m) / AREA_BINS;
    size_t kept = 0;
    for (size_t i = 0; i < n; i++) {
        if (!curve[i].there) continue;
        double place = width > 0 ? log(curve[i].depth_m / fit->lowest_m) / width : 0.0;
        struct area_bin *b = &all[place < AREA_BINS - 1 ? (size_t)fmax(place, 0) : AREA_BINS - 1];
        double off = curve[i].area_m2 / area_fit_at(fit, curve[i].depth_m, NULL) - 1.0;
        b->n++;
        b->depth_m += curve[i].depth_m;
        b->area_m2 += curve[i].area_m2;
        b->off += off;
        squares[b - all] += off * off;
    }
    for (size_t k = 0; k < AREA_BINS; k++) {
        struct area_bin b = all[k];
        double m = (double)b.n;
        if (b.n < FEWEST) continue;
        b.depth_m /= m, b.area_m2 /= m, b.off /= m;
        b.u = sqrt(fmax(squares[k] / m - b.off * b.off, 0) / (m - 1.0));
        out[kept++] = b;
    }
    return kept;
}
