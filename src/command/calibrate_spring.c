/* The spring constant: every method the inputs suffice for, side by side. */
#include "base/units.h"
#include "base/words.h"
#include "calibration/beam.h"
#include "calibration/fluid.h"
#include "command/calibrate.h"
#include "command/describe.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- inputs --- */

/* A preset gives what the command line does not. */
static enum status take_medium(struct calibrate_wish *w, struct report *rep)
{
    struct unsure *rho = &w->input[SPRING_fluid_density], *eta = &w->input[SPRING_viscosity];
    double kelvin = w->input[SPRING_temperature].value;
    struct fluid f;
    for (int i = 0; i < FLUID_COUNT && w->medium; i++) {
        if (strcmp(w->medium, fluid_rows[i].name) != 0) continue;
        if (isfinite(rho->value) && isfinite(eta->value)) return ST_OK;
        if (isnan(kelvin)) return ST_OK; /* a method that needs it will say what it lacks */
        enum status st = fluid_at((enum fluid_id)i, kelvin, &f, rep);
        if (st != ST_OK) return st;
        if (isnan(rho->value)) rho->value = f.density_kg_m3, rho->u = f.density_u;
        if (isnan(eta->value)) eta->value = f.viscosity_pa_s, eta->u = f.viscosity_u;
    }
    return ST_OK;
}

/* What the recording says of area, resonance and quality, and how they hang together. */
static void take_fit(const struct calibrate_wish *w, const struct oscillator *o,
                     struct spring_job *job)
{
    static const int fitted[3] = {OSC_area, OSC_resonance, OSC_quality};
    job->input[SPRING_area] = calibrate_area(w, o);
    const enum spring_input to[3] = {SPRING_area, SPRING_resonance, SPRING_quality};
    for (int i = 1; i < 3; i++)
        job->input[to[i]] = (struct unsure){
            o->value[fitted[i]], o->value[fitted[i]] * sqrt(o->covariance[fitted[i]][fitted[i]]),
            true};
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            job->fit_correlation[i][j] = o->covariance[fitted[i]][fitted[j]] /
                                         sqrt(o->covariance[fitted[i]][fitted[i]] *
                                              o->covariance[fitted[j]][fitted[j]]);
    for (int j = 1; j < 3 && w->whole; j++)
        job->fit_correlation[0][j] = job->fit_correlation[j][0] = 0;
}

static void fill_job(const struct calibrate_wish *w, struct spring_job *job)
{
    spring_clear(job);
    memcpy(job->input, w->input, sizeof job->input);
    if (w->lateral) job->input[SPRING_spring_constant] = w->spring;
    job->motion = calibrate_motion(w);
    job->band = w->whole ? BAND_whole : BAND_first_mode;
    job->masses = w->masses;
    memcpy(job->mass_kg, w->mass_kg, sizeof job->mass_kg);
    memcpy(job->loaded_hz, w->loaded_hz, sizeof job->loaded_hz);
    job->free_hz = w->free_hz;
}

/* --- choosing --- */

/* What is asked for: spring constants, or torsional constants. */
struct span_of_methods {
    int first, end;
};
static struct span_of_methods asked(const struct calibrate_wish *w)
{
    return w->lateral ? (struct span_of_methods){METHOD_SPRINGS, METHOD_TWISTS}
                      : (struct span_of_methods){0, METHOD_SPRINGS};
}

/* *out: the method that --method names, METHOD_COUNT without one. */
static enum status named_method(const struct calibrate_wish *w, enum spring_method *out,
                                struct report *rep)
{
    const char *names[METHOD_COUNT];
    char list[160] = "";
    struct span_of_methods span = asked(w);
    *out = METHOD_COUNT;
    if (!w->method) return ST_OK;
    for (int m = span.first; m < span.end; m++) {
        size_t used = strlen(list);
        names[m - span.first] = spring_methods[m].name;
        snprintf(list + used, sizeof list - used, "%s%s",
                 !used               ? ""
                 : m == span.end - 1 ? " and "
                                     : ", ",
                 spring_methods[m].name);
        if (strcmp(spring_methods[m].name, w->method) == 0) *out = (enum spring_method)m;
    }
    if (*out != METHOD_COUNT) return ST_OK;
    int near = words_nearest(w->method, names, (size_t)(span.end - span.first));
    return fail(rep, ST_USAGE, "--method: '%s' is unknown%s%s%s; valid are %s", w->method,
                near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                near < 0 ? "" : "'?)", list);
}

/* The method whose value is kept: the named one, else the first that could be made. */
static enum status choose(const struct calibrate_wish *w, const struct spring_results *res,
                          enum spring_method *out, struct report *rep)
{
    struct span_of_methods span = asked(w);
    enum status st = named_method(w, out, rep);
    for (int m = span.end - 1; m >= span.first && st == ST_OK && !w->method; m--)
        if (res->method[m].there) *out = (enum spring_method)m;
    if (st == ST_OK && (*out == METHOD_COUNT || !res->method[*out].there))
        st = fail(rep, ST_INPUT, "the inputs give no %s constant; is one of them impossible?",
                  w->lateral ? "torsional" : "spring");
    return st;
}

/* The torsional constant that goes with the chosen one, and to the lateral one. */
static enum spring_method twist_of(const struct spring_results *res, enum spring_method chosen)
{
    int m = METHOD_SPRINGS;
    if (chosen >= METHOD_SPRINGS) return chosen;
    while (m < METHOD_TWISTS - 1 && !res->method[m].there)
        m++;
    return (enum spring_method)m;
}

/* --- telling --- */

enum { PARTS = SPRING_INPUTS + 1 }; /* the last: all that belongs to added masses */

static const char *part_name(int i)
{
    return i < SPRING_INPUTS ? spring_inputs[i].name : "added_mass";
}

static void parts_of(const struct propagated *p, double part[PARTS])
{
    part[SPRING_INPUTS] = 0;
    for (int i = 0; i < PROPAGATE_INPUTS; i++)
        if (i < SPRING_INPUTS)
            part[i] = fabs(p->part[i]);
        else
            part[SPRING_INPUTS] = hypot(part[SPRING_INPUTS], p->part[i]);
}

/* "sensitivity 2 %, area 1.5 %, ..." largest first, of those above a hundredth of the largest. */
static void parts_text(const struct propagated *p, char *out, size_t size)
{
    double part[PARTS], first = 0;
    size_t used = 0;
    parts_of(p, part);
    *out = 0;
    for (;;) {
        int at = 0;
        for (int i = 1; i < PARTS; i++)
            if (part[i] > part[at]) at = i;
        if (!(part[at] > 0.01 * first) || used >= size) return;
        first = fmax(first, part[at]);
        used += (size_t)snprintf(out + used, size - used, "%s%s %.2g %%", used ? ", " : "",
                                 part_name(at), 100 * part[at] / p->value);
        part[at] = 0;
    }
}

static json_t *json_method(const struct spring_results *res, int m)
{
    const struct propagated *p = &res->method[m];
    json_t *parts = json_object();
    double part[PARTS];
    parts_of(p, part);
    for (int i = 0; i < PARTS; i++)
        if (part[i] > 0) json_object_set_new(parts, part_name(i), json_real(part[i]));
    json_t *out = json_pack("{s:f, s:f, s:s, s:f, s:f, s:f, s:f, s:b, s:b, s:f, s:o, s:s}", "value",
                            p->value, "u", p->u, "unit", spring_methods[m].si_unit, "u_linear",
                            p->linear, "mean", p->mean, "low", p->low, "high", p->high, "complete",
                            !p->unstated, "differs", p->differs, "correlation_with_sensitivity",
                            p->correlation[SPRING_sensitivity], "parts", parts, "source",
                            spring_methods[m].source);
    if (m < METHOD_SPRINGS)
        json_object_set_new(out, "tilt",
                            json_string(res->tilt_contained[m] ? "contained" : "not contained"));
    return out;
}

static void tell_method(const struct spring_results *res, int m, struct calibrate_report *r)
{
    const struct propagated *p = &res->method[m];
    char text[160], parts[256], low[48], high[48];
    describe_known(p->value, p->u, spring_methods[m].si_unit, text, sizeof text);
    describe_value(p->low, spring_methods[m].si_unit, low, sizeof low);
    describe_value(p->high, spring_methods[m].si_unit, high, sizeof high);
    parts_text(p, parts, sizeof parts);
    if (!r->text) return;
    bool twist = m >= METHOD_SPRINGS && m < METHOD_TWISTS;
    describe_line(twist ? "torsion" : spring_methods[m].name, "%s%s", text,
                  p->unstated ? ", at least: an input has none" : "");
    if (m >= METHOD_SPRINGS) describe_line("", "  %s", spring_methods[m].words);
    describe_line("", "  95 %% between %s and %s; from: %s", low, high,
                  *parts ? parts : "nothing stated");
    if (p->differs)
        describe_line("", "  not linear: the law of propagation alone would say %.2g %%",
                      100 * p->linear / p->value);
    if (m < METHOD_SPRINGS)
        describe_line("", "  tilt: %s",
                      res->tilt_contained[m] ? "contained, as the sensitivity is one along z"
                                             : "not contained, the lever's own");
}

static void tell_pairs(const struct spring_results *res, struct calibrate_report *r)
{
    json_t *pairs = json_array();
    const char *label = "agreement";
    for (int a = 0; a < METHOD_SPRINGS; a++)
        for (int b = a + 1; b < METHOD_SPRINGS; b++) {
            const struct spring_pair *p = &res->pair[a][b];
            if (isnan(p->difference)) continue;
            json_array_append_new(pairs, json_pack("{s:s, s:s, s:f, s:f, s:b}", "a",
                                                   spring_methods[a].name, "b",
                                                   spring_methods[b].name, "difference",
                                                   p->difference, "u", p->u, "agree", p->agree));
            if (!r->text) continue;
            describe_line(label,
                          "%s over %s: %+.2g %%, standard uncertainty %.2g %% with common "
                          "inputs taken out: %s",
                          spring_methods[a].name, spring_methods[b].name,
                          100 * expm1(p->difference), 100 * p->u,
                          p->agree ? "they agree" : "THEY DISAGREE");
            label = "";
        }
    json_object_set_new(r->json, "agreement", pairs);
}

static void tell_lacking(const struct spring_job *job, const struct spring_results *res,
                         struct span_of_methods span, struct calibrate_report *r)
{
    char lacks[256];
    const char *label = "not made";
    for (int m = span.first; m < span.end; m++) {
        if (res->method[m].there) continue;
        spring_lacks(job, (enum spring_method)m, lacks, sizeof lacks);
        if (r->text) describe_line(label, "%s: lacks %s", spring_methods[m].name, lacks);
        label = "";
    }
}

static void tell(const struct calibrate_wish *w, const struct spring_job *job,
                 const struct spring_results *res, enum spring_method chosen,
                 struct calibrate_report *r)
{
    json_t *methods = json_object();
    struct span_of_methods span = asked(w);
    int twist = (int)twist_of(res, chosen);
    for (int m = span.first; m < METHOD_COUNT; m++) {
        bool every = w->all && m >= span.first && m < span.end;
        bool wanted = every || m == (int)chosen || m == twist || m == METHOD_lateral;
        if (!wanted || !res->method[m].there) continue;
        tell_method(res, m, r);
        json_object_set_new(methods, spring_methods[m].name, json_method(res, m));
    }
    json_object_set_new(r->json, "methods", methods);
    json_object_set_new(r->json, "chosen", json_string(spring_methods[chosen].name));
    if (w->all) tell_lacking(job, res, span, r);
    if (w->all && !w->lateral) tell_pairs(res, r);
}

static void judge(const struct spring_job *job, const struct spring_results *res,
                  enum spring_method chosen, bool all, struct calibrate_report *r)
{
    const struct unsure *in = job->input;
    calibrate_judge(r, "spring_constant", res->method[chosen].value);
    calibrate_judge(r, "deflection_sensitivity", in[SPRING_sensitivity].value);
    calibrate_judge(r, "lever_length", in[SPRING_length].value);
    if ((all || chosen == METHOD_sader) && res->method[METHOD_sader].there) {
        struct fluid f = {.density_kg_m3 = in[SPRING_fluid_density].value,
                          .viscosity_pa_s = in[SPRING_viscosity].value};
        double re = fluid_reynolds(&f, in[SPRING_width].value, in[SPRING_resonance].value);
        if (in[SPRING_quality].value < 2)
            calibrate_caution(r, "sader: made for a quality factor well above 1, here it is %.2g",
                              in[SPRING_quality].value);
        if (in[SPRING_length].value < 3 * in[SPRING_width].value)
            calibrate_caution(r, "sader: made for levers much longer than wide, here %.2g times",
                              in[SPRING_length].value / in[SPRING_width].value);
        if (re < 1e-6 || re > 1e4)
            calibrate_caution(r, "sader: Reynolds number %.2g is outside 1e-6 to 1e4", re);
    }
    for (int a = 0; a < METHOD_SPRINGS && all; a++)
        for (int b = a + 1; b < METHOD_SPRINGS; b++)
            if (isfinite(res->pair[a][b].difference) && !res->pair[a][b].agree)
                calibrate_caution(r,
                                  "%s and %s disagree: an uncertainty is missing or an input is "
                                  "wrong",
                                  spring_methods[a].name, spring_methods[b].name);
    if (res->tilt_contained[chosen])
        calibrate_caution(
            r, "no --tilt: with a sensitivity from a tilted lever this value is along z; "
               "write calibration.tilt_correction: contained");
    else if (isfinite(in[SPRING_tilt].value) && r->text)
        describe_line("", "in the recipe calibration.tilt_correction says how the tilt is applied, "
                          "once; none would neglect it");
    struct beam b = {in[SPRING_length].value, in[SPRING_width].value, in[SPRING_thickness].value,
                     in[SPRING_modulus].value, in[SPRING_density].value};
    double f0 = beam_resonance_hz(&b);
    if (!isfinite(f0)) return;
    json_object_set_new(r->json, "resonance_of_dimensions_hz", json_real(f0));
    if (r->text)
        describe_line("", "the dimensions would resonate at %.4g kHz in a vacuum", 1e-3 * f0);
}

static void judge_twist(const struct spring_job *job, const struct lever_file *file,
                        enum spring_method chosen, struct calibrate_report *r)
{
    const struct lever_record *k = lever_file_find(file, "spring_constant");
    calibrate_judge(r, "spring_constant", job->input[SPRING_spring_constant].value);
    calibrate_judge(r, "lever_length", job->input[SPRING_length].value);
    if (chosen == METHOD_torsion_from_spring && k && k->tilt == SPRING_TILT_CONTAINED &&
        k->value == job->input[SPRING_spring_constant].value)
        calibrate_caution(r,
                          "the spring constant of the lever file contains a tilt, so the torsional "
                          "constant is too large by 1/cos^2 of it; find it again with --tilt");
    if (isnan(job->input[SPRING_tip_height].value))
        calibrate_caution(r, "no --tip-height: without it there is a torsional constant, but no "
                             "lateral spring constant");
}

/* --- the lever file --- */

#define AT_LEAST "u is a least: an input had no uncertainty"
enum { MOST_RECORDS = 10 };

static struct lever_record spring_record(const struct spring_job *job,
                                         const struct spring_results *res, enum spring_method m)
{
    const struct propagated *p = &res->method[m];
    struct lever_record record = lever_record_make("spring_constant", p->value, p->u);
    struct lever_texts *t = &record.text;
    snprintf(t->method, sizeof t->method, "%s", spring_methods[m].name);
    snprintf(t->tilt, sizeof t->tilt, res->tilt_contained[m] ? "contained" : "not contained");
    if (p->unstated) snprintf(t->remark, sizeof t->remark, AT_LEAST);
    double r = p->correlation[SPRING_sensitivity];
    if (m != METHOD_thermal) return record;
    snprintf(t->correlated_with, sizeof t->correlated_with, "deflection_sensitivity");
    snprintf(t->correlated_value, sizeof t->correlated_value, "%.9g m/V",
             job->input[SPRING_sensitivity].value);
    snprintf(t->correlation, sizeof t->correlation, "%.6f", r);
    return record;
}

/* The torsional constant and, with a tip's height, the lateral spring constant; how many. */
static size_t twist_records(const struct spring_results *res, enum spring_method twist,
                            struct lever_record out[2])
{
    const char *how = twist == METHOD_torsional_thermal ? "torsional thermal"
                      : twist == METHOD_torsion         ? "dimensions"
                                                        : "from spring constant";
    const struct propagated *p[2] = {&res->method[twist], &res->method[METHOD_lateral]};
    size_t n = 0;
    for (int i = 0; i < 2 && p[0]->there; i++) {
        if (!p[i]->there) continue;
        out[n] = lever_record_make(i ? "lateral_spring_constant" : "torsional_constant",
                                   p[i]->value, p[i]->u);
        snprintf(out[n].text.method, sizeof out[n].text.method, "%s", how);
        if (p[i]->unstated) snprintf(out[n].text.remark, sizeof out[n].text.remark, AT_LEAST);
        n++;
    }
    return n;
}

/* A torsional constant that was measured stays when one from the dimensions is made in passing. */
static bool twist_measured(const struct lever_file *file)
{
    const struct lever_record *held = lever_file_find(file, "torsional_constant");
    return held && strcmp(held->text.method, "torsional thermal") == 0;
}

/* The asked constant first; then what belongs to it, where it is known. */
static size_t make_records(const struct calibrate_wish *w, const struct lever_file *file,
                           const struct spring_job *job, const struct spring_results *res,
                           enum spring_method chosen, struct lever_record out[MOST_RECORDS])
{
    static const struct {
        enum spring_input input;
        const char *quantity;
        const char *method;
    } along[] = {{SPRING_sensitivity, "deflection_sensitivity", "given"},
                 {SPRING_tilt, "tilt", "given"},
                 {SPRING_tip_height, "tip_height", "given"},
                 {SPRING_length, "lever_length", "given"}};
    size_t n = 0;
    if (w->lateral)
        n = twist_records(res, chosen, out);
    else
        out[n++] = spring_record(job, res, chosen);
    for (size_t i = 0; i < sizeof along / sizeof *along; i++) {
        const struct unsure *in = &job->input[along[i].input];
        if (isnan(in->value) || lever_file_find(file, along[i].quantity)) continue;
        out[n] = lever_record_make(along[i].quantity, in->value, in->u);
        snprintf(out[n].text.method, sizeof out[n].text.method, "%s", along[i].method);
        n++;
    }
    for (int i = 0; i < 2 && w->thermal && !w->lateral; i++) {
        const struct unsure *in = &job->input[i ? SPRING_quality : SPRING_resonance];
        out[n] = lever_record_make(i ? "quality_factor" : "resonance", in->value, in->u);
        snprintf(out[n].text.method, sizeof out[n].text.method, "thermal");
        n++;
    }
    if (!w->lateral && !twist_measured(file))
        n += twist_records(res, twist_of(res, chosen), out + n);
    return n;
}

/* Before anything is read: will a method have all it needs? */
static enum status check_inputs(const struct calibrate_wish *w, struct report *rep)
{
    static const enum spring_input from_fit[] = {SPRING_area, SPRING_resonance, SPRING_quality};
    struct spring_job job;
    enum spring_method named;
    char lacks[256], first[320] = "";
    struct span_of_methods span = asked(w);
    enum status st = named_method(w, &named, rep);
    if (st != ST_OK) return st;
    fill_job(w, &job);
    for (size_t i = 0; i < 3 && w->thermal && !w->lateral; i++)
        job.input[from_fit[i]].value = 1;
    if (w->lateral && w->thermal) job.input[SPRING_torsional_area].value = 1;
    for (int m = span.first; m < span.end; m++) {
        if (w->method && m != (int)named) continue;
        spring_lacks(&job, (enum spring_method)m, lacks, sizeof lacks);
        if (!*lacks) return ST_OK;
        if (!*first) snprintf(first, sizeof first, "%s lacks %s", spring_methods[m].name, lacks);
    }
    return fail(rep, ST_USAGE, "no method has all it needs: %s (`cantle calibrate --help`)", first);
}

static enum status work(struct calibrate_wish *w, struct lever_file *file,
                        struct calibrate_report *r, struct report *rep)
{
    struct spring_job job;
    struct spring_results res;
    struct oscillator o;
    struct lever_record record[MOST_RECORDS];
    enum spring_method chosen = METHOD_thermal;
    char digest[33] = "";
    calibrate_fill(w, file);
    enum status st = take_medium(w, rep);
    if (st == ST_OK) st = check_inputs(w, rep);
    if (st == ST_OK && w->thermal) st = calibrate_thermal(w, &o, digest, r, rep);
    if (st != ST_OK) return st;
    fill_job(w, &job);
    if (w->thermal && !w->lateral) take_fit(w, &o, &job);
    if (w->thermal && w->lateral) job.input[SPRING_torsional_area] = calibrate_area(w, &o);
    if (w->lateral) st = named_method(w, &job.twist, rep);
    if (st == ST_OK) st = spring_run(&job, &res, rep);
    if (st == ST_OK) st = choose(w, &res, &chosen, rep);
    if (st != ST_OK) return st;
    if (!w->lateral && res.method[METHOD_thermal].there && (w->all || chosen == METHOD_thermal))
        calibrate_tell_share(r, job.motion, job.band);
    tell(w, &job, &res, chosen, r);
    if (w->lateral)
        judge_twist(&job, file, chosen, r);
    else
        judge(&job, &res, chosen, w->all, r);
    size_t n = make_records(w, file, &job, &res, chosen, record);
    return calibrate_lever_close(w, file, record, n, w->thermal, digest, rep);
}

enum status calibrate_spring(struct calibrate_wish *w, struct calibrate_report *r,
                             struct report *rep)
{
    struct lever_file *file = malloc(sizeof *file);
    if (!file) return fail(rep, ST_MEMORY, "not enough memory for a lever file");
    enum status st = calibrate_lever_open(w, w->lateral ? "torsional_constant" : "spring_constant",
                                          file, rep);
    if (st == ST_OK) st = work(w, file, r, rep);
    free(file);
    return st;
}
