#include "base/units.h"
#include "command/curve_case.h"
#include "command/describe.h"

#include <math.h>
#include <string.h>

static const char *const segment_words[SEG_COUNT] = {"approach", "dwell", "retract"};
static const char *const stage_words[] = {"detector signal", "four quadrants", "deflection",
                                          "force"};

/* Both in one unit, the error with two digits, the value as far as the error goes. */
void curve_show_measured(const struct measured *m, const char *si_unit, const char *plus_minus,
                         char *out, size_t size)
{
    double factor = 1;
    bool pure = strcmp(si_unit, "1") == 0;
    if (strcmp(si_unit, "rad") == 0) {
        describe_value(m->value, si_unit, out, size);
        return;
    }
    if (!isfinite(m->value) || !(m->error > 0) || !isfinite(m->error)) {
        units_show(m->value, si_unit, 4, out, size);
        return;
    }
    double magnitude = fmax(fabs(m->value), m->error);
    const char *prefix = pure ? "" : units_prefix(magnitude, si_unit, &factor);
    double digits = fmin(fmax(1 - floor(log10(m->error / factor)), 0), 9);
    snprintf(out, size, "%.*f %s %.*f%s%s%s", (int)digits, m->value / factor, plus_minus,
             (int)digits, m->error / factor, pure ? "" : " ", prefix, pure ? "" : si_unit);
}

static void report_place(FILE *out, const struct curve_case *c, const char *before)
{
    const struct volume_facts *f = c->facts;
    char x[32], y[32], file[512], volume[512], recipe[512];
    describe_name(c->file, file);
    describe_name(c->volume_path, volume);
    describe_name(c->recipe_from, recipe);
    units_show(f->x_m[c->volume_column], "m", 5, x, sizeof x);
    units_show(f->y_m[c->volume_row], "m", 5, y, sizeof y);
    fprintf(out, "%scurve of column %zu, row %zu of %s, at x %s, y %s\n", before, c->column, c->row,
            file, x, y);
    fprintf(out, "%s  volume %s, stored there in column %zu, row %zu\n", before, volume,
            c->volume_column, c->volume_row);
    fprintf(out, "%s  recipe: %s\n", before, recipe);
}

static void report_read(FILE *out, const struct curve_case *c, const char *before)
{
    fprintf(out, "%sread\n", before);
    for (int s = 0; s < SEG_COUNT; s++) {
        const struct segment_facts *f = &c->facts->seg[s];
        if (!f->there) continue;
        fprintf(out, "%s  %s: %zu samples of %s (%s, %s)", before, segment_words[s],
                c->raw.seg[s].n, stage_words[f->stage], f->type, f->units);
        if (s != SEG_DWELL && c->trace.seg[s].n < c->raw.seg[s].n)
            fprintf(out, ", %zu usable", c->trace.seg[s].n);
        if (c->raw.seg[s].clipped) fprintf(out, ", %zu clipped", c->raw.seg[s].clipped);
        fprintf(out, "\n");
    }
}

static void report_lever(FILE *out, const struct curve_case *c, const char *before)
{
    fprintf(out, "%sused\n", before);
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *k = &c->plan.lever.item[i];
        if (!isfinite(k->value)) continue;
        char value[64], u[80] = "";
        const char *unit = lever_rows[i].si_unit;
        if (strcmp(unit, "rad") == 0)
            snprintf(value, sizeof value, "%.4g degree", k->value * 180 / M_PI);
        else
            units_show(k->value, unit, 4, value, sizeof value);
        if (isfinite(k->u) && k->value != 0)
            snprintf(u, sizeof u, ", standard uncertainty %.2g %%", 100 * k->u / fabs(k->value));
        fprintf(out, "%s  %s: %s%s, from the %s%s\n", before, lever_rows[i].words, value, u,
                k->origin, strcmp(k->origin, "default") ? "" : " of the recipe");
    }
    fprintf(out, "%s  model: %s, on the %s, %s\n", before, c->plan.model->title,
            segment_words[c->plan.segment],
            c->plan.force_space ? "force against indentation"
                                : "deflection against piezo displacement");
}

static void report_baseline(FILE *out, const struct curve_case *c, const char *before)
{
    fprintf(out, "%sbaseline\n", before);
    for (int s = 0; s < SEG_COUNT; s++) {
        const struct segment_trace *t = &c->trace.seg[s];
        char offset[32], noise[32], force[32];
        if (t->n == 0) continue;
        units_show(t->offset_m, "m", 4, offset, sizeof offset);
        units_show(t->noise_m, "m", 3, noise, sizeof noise);
        units_show(t->noise_m * c->plan.setup.spring_n_per_m, "N", 3, force, sizeof force);
        fprintf(out, "%s  %s: samples 0 to %zu of %zu, offset %s, slope %.3g, noise %s (%s)\n",
                before, segment_words[s], t->baseline_end ? t->baseline_end - 1 : 0, t->n, offset,
                t->slope, noise, force);
    }
}

static void report_fit(FILE *out, const struct curve_case *c, const char *before)
{
    const struct segment_trace *t = &c->trace.seg[c->trace.fitted];
    size_t used = 0;
    char z[32], modulus[32], work[32];
    for (size_t i = 0; i < t->n && c->trace.in_fit; i++)
        used += c->trace.in_fit[i] != 0;
    fprintf(out, "%sfit\n", before);
    if (!isfinite(c->trace.contact_point_m)) {
        fprintf(out, "%s  none\n", before);
        return;
    }
    units_show(c->trace.contact_point_m, "m", 5, z, sizeof z);
    units_show(c->trace.sample.reduced_modulus_pa, "Pa", 4, modulus, sizeof modulus);
    fprintf(out, "%s  %zu of %zu samples, contact point at Z0 = %s, reduced modulus %s", before,
            used, t->n, z, modulus);
    if (isfinite(c->trace.sample.work_j_per_m2)) {
        units_show(c->trace.sample.work_j_per_m2, "J/m2", 4, work, sizeof work);
        fprintf(out, ", work of adhesion %s", work);
    }
    fprintf(out, "\n");
}

static void report_maps(FILE *out, const struct curve_case *c, const char *before)
{
    fprintf(out, "%sresults, with one standard error\n", before);
    for (int i = 0; i < MAP_COUNT; i++) {
        char text[192], words[160];
        if (!map_is_made(&c->plan.extent, i)) continue;
        if (map_rows[i].axis && isnan(c->result.map[i].value))
            continue; /* not as many, not so deep */
        map_words(&c->plan.extent, i, words);
        curve_show_measured(&c->result.map[i], map_rows[i].si_unit, "+-", text, sizeof text);
        fprintf(out, "%s  %s: %s\n", before, words, text);
    }
}

static void report_flags(FILE *out, const struct curve_case *c, const char *before)
{
    fprintf(out, "%sstate: %s (%s)\n", before, state_rows[c->result.state].name,
            state_rows[c->result.state].words);
    for (int i = 0; i < FLAG_COUNT; i++)
        if (c->result.flags >> i & 1)
            fprintf(out, "%s  %s: %s\n", before, flag_rows[i].name, flag_rows[i].words);
}

void curve_report(FILE *out, const struct curve_case *c, const char *before)
{
    report_place(out, c, before);
    report_read(out, c, before);
    report_lever(out, c, before);
    report_baseline(out, c, before);
    report_fit(out, c, before);
    report_maps(out, c, before);
    report_flags(out, c, before);
}

/* In full precision: whoever fits the columns again starts from the same numbers. */
static void columns_baseline(FILE *out, const struct curve_case *c)
{
    fprintf(out,
            "#\n"
            "# baseline of deflection: offset_nm + slope (z_nm - z_ref_nm); force: spring constant "
            "times what is above it.\n"
            "# off_...: from the off-surface part alone, less a guard at its end, before the fit\n"
            "# spring_constant_N_per_m %.17g\n",
            c->plan.setup.spring_n_per_m);
    for (int s = 0; s < SEG_COUNT; s++) {
        const struct segment_trace *t = &c->trace.seg[s];
        if (t->n == 0) continue;
        fprintf(out,
                "# baseline %s: z_ref_nm %.17g offset_nm %.17g slope %.17g off_offset_nm %.17g "
                "off_slope %.17g off_samples %zu\n",
                segment_words[s], 1e9 * t->z_ref_m, 1e9 * t->offset_m, t->slope,
                1e9 * t->off_offset_m, t->off_slope, t->baseline_end);
    }
}

void curve_columns(FILE *out, const struct curve_case *c)
{
    curve_report(out, c, "# ");
    columns_baseline(out, c);
    fprintf(out,
            "#\n"
            "# segment: 1 approach, 2 retract; samples in ascending z (a retract is reversed in\n"
            "# time); in_fit: 1 where the fit used the sample; residual: deflection less model\n"
            "# columns: segment sample z_nm deflection_nm force_nN separation_nm in_fit "
            "model_deflection_nm residual_nm\n");
    for (int s = 0; s < SEG_COUNT; s++) {
        const struct segment_trace *t = &c->trace.seg[s];
        bool fitted = (int)c->trace.fitted == s && c->trace.fit_deflection_m && c->trace.in_fit;
        for (size_t i = 0; i < t->n; i++) {
            double model = fitted ? c->trace.fit_deflection_m[i] : (double)NAN;
            bool in = fitted && c->trace.in_fit[i];
            fprintf(out, "%d %zu %.9g %.9g %.9g %.9g %d %.9g %.9g\n", s == SEG_APPROACH ? 1 : 2, i,
                    1e9 * t->z_m[i], 1e9 * t->deflection_m[i], 1e9 * t->force_n[i],
                    1e9 * t->separation_m[i], in, 1e9 * model, 1e9 * (t->deflection_m[i] - model));
        }
    }
}
