/* Curves as the page draws them: piezo displacement and force, less the baseline, in SI. */
#include "report/report_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What is kept of a segment: every step-th sample. */
struct kept {
    const struct segment_trace *t;
    size_t n, step;
};

static struct kept keep(const struct segment_trace *t)
{
    size_t step = (t->n + REPORT_SAMPLES_MOST - 1) / REPORT_SAMPLES_MOST;
    if (step == 0) step = 1;
    return (struct kept){.t = t, .n = (t->n + step - 1) / step, .step = step};
}

static size_t put_column(float *to, const struct kept *k, const double *from)
{
    for (size_t i = 0; i < k->n; i++)
        to[i] = (float)from[i * k->step];
    return k->n;
}

/* Force of the model where it was fitted, NaN elsewhere. */
static size_t put_fit(float *to, const struct kept *k, const struct report_curve *curve)
{
    const struct curve_trace *trace = curve->trace;
    const struct segment_trace *t = k->t;
    for (size_t i = 0; i < k->n; i++) {
        size_t j = i * k->step;
        double bend = trace->fit_deflection_m ? trace->fit_deflection_m[j] - t->offset_m -
                                                    t->slope * (t->z_m[j] - t->z_ref_m)
                                              : (double)NAN;
        to[i] = (float)(bend * curve->spring_n_per_m);
    }
    return k->n;
}

/* 1 where the sample was used; as a number, so that a curve is one block. */
static size_t put_used(float *to, const struct kept *k, const struct curve_trace *trace)
{
    for (size_t i = 0; i < k->n; i++)
        to[i] = trace->fit_deflection_m && trace->in_fit && trace->in_fit[i * k->step] ? 1 : 0;
    return k->n;
}

static json_t *flags_of(uint64_t flags)
{
    json_t *out = json_array();
    for (int i = 0; i < FLAG_COUNT; i++)
        if (flags >> i & 1) json_array_append_new(out, json_integer(i));
    return out;
}

static json_t *reasons_of(unsigned reasons)
{
    json_t *out = json_array();
    for (int i = 0; i < PICK_COUNT; i++)
        if (reasons >> i & 1) json_array_append_new(out, json_integer(i));
    return out;
}

static json_t *segment_json(const char *name, const struct kept *k)
{
    const struct segment_trace *t = k->t;
    double end = t->baseline_end ? t->z_m[t->baseline_end - 1] : (double)NAN;
    return json_pack("{s:s, s:I, s:I, s:I, s:o, s:o}", "name", name, "n", (json_int_t)k->n, "step",
                     (json_int_t)k->step, "samples", (json_int_t)t->n, "baseline_end",
                     number_json(end), "noise_m", number_json(t->noise_m));
}

static json_t *curve_json(const struct report_curve *curve, const struct kept *approach,
                          const struct kept *retract)
{
    const struct pick *p = curve->pick;
    return json_pack("{s:I, s:I, s:o, s:o, s:[o, o], s:i, s:o, s:f, s:b}", "column",
                     (json_int_t)p->column, "row", (json_int_t)p->row, "reasons",
                     reasons_of(p->reasons), "flags", flags_of(p->flags), "segments",
                     segment_json("approach", approach), segment_json("retract", retract), "fitted",
                     curve->trace->fitted == SEG_RETRACT ? 1 : 0, "contact_point_m",
                     number_json(curve->trace->contact_point_m), "spring_n_per_m",
                     curve->spring_n_per_m, "has_fit", curve->trace->fit_deflection_m != NULL);
}

/* In this order: approach z, force; retract z, force; of the fitted segment model, used. */
static size_t put_curve(float *to, const struct report_curve *curve, const struct kept *approach,
                        const struct kept *retract)
{
    const struct kept *fitted = curve->trace->fitted == SEG_RETRACT ? retract : approach;
    size_t n = put_column(to, approach, approach->t->z_m);
    n += put_column(to + n, approach, approach->t->force_n);
    n += put_column(to + n, retract, retract->t->z_m);
    n += put_column(to + n, retract, retract->t->force_n);
    n += put_fit(to + n, fitted, curve);
    return n + put_used(to + n, fitted, curve->trace);
}

enum status html_report_curve(struct html_report *r, const struct report_curve *curve, bool *fits,
                              bool *thinned, struct report *rep)
{
    const struct kept approach = keep(&curve->trace->seg[SEG_APPROACH]);
    const struct kept retract = keep(&curve->trace->seg[SEG_RETRACT]);
    const size_t fitted = curve->trace->fitted == SEG_RETRACT ? retract.n : approach.n;
    const size_t n = 2 * (approach.n + retract.n + fitted);
    char name[64];
    *thinned = approach.step > 1 || retract.step > 1;
    *fits = r->used + block_size(n * sizeof(float)) + 1024 <= r->most;
    if (!*fits) return ST_OK;
    float *numbers = malloc((n ? n : 1) * sizeof *numbers);
    if (!numbers) return fail(rep, ST_MEMORY, "not enough memory for a report");
    size_t put = put_curve(numbers, curve, &approach, &retract);
    snprintf(name, sizeof name, "curve-%zu", json_array_size(r->curves));
    enum status st = block_add(r, name, numbers, sizeof *numbers, put, rep);
    if (st == ST_OK) st = list_add(r, r->curves, curve_json(curve, &approach, &retract), rep);
    free(numbers);
    return st;
}
