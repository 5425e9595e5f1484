/* From a recording to the area of its resonance, and the sensitivity from it. */
#include "base/units.h"
#include "calibration/beam.h"
#include "command/calibrate.h"
#include "command/describe.h"
#include "volume/recording.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- units and rates --- */

/* Factor on samples that makes volts, or metres (*metres). */
static enum status signal_factor(const char *unit, bool *metres, double *factor, struct report *rep)
{
    struct unit_scale scale;
    struct report unused;
    *metres = units_scale(unit, "V", &scale, &unused) != ST_OK;
    if (*metres && units_scale(unit, "m", &scale, &unused) != ST_OK)
        return fail(rep, ST_USAGE, "'%s' is neither a unit of voltage nor one of length", unit);
    if (scale.offset != 0) return fail(rep, ST_USAGE, "'%s': a unit with an offset", unit);
    *factor = scale.factor;
    return ST_OK;
}

/* The same for a spectrum: V2/Hz, or an amplitude density V/sqrt(Hz), which is squared first. */
static enum status density_factor(const char *unit, bool *metres, bool *root, double *factor,
                                  struct report *rep)
{
    struct unit_scale scale;
    struct report unused;
    char base[64];
    const char *at = strstr(unit, "/sqrt(Hz)");
    *root = at != NULL;
    if (*root) {
        snprintf(base, sizeof base, "%.*s", (int)(at - unit), unit);
        enum status st = signal_factor(base, metres, factor, rep);
        *factor *= *factor;
        return st;
    }
    *metres = units_scale(unit, "V2/Hz", &scale, &unused) != ST_OK;
    if (*metres && units_scale(unit, "m2/Hz", &scale, &unused) != ST_OK)
        return fail(rep, ST_USAGE,
                    "'%s' is no unit of a spectrum; expected one like V2/Hz or V/sqrt(Hz)", unit);
    *factor = scale.factor;
    return ST_OK;
}

static enum status find_unit(const struct calibrate_wish *w, const struct recording *rec,
                             const char **unit, struct report *rep)
{
    *unit = w->unit ? w->unit : rec->unit;
    if (**unit) return ST_OK;
    return fail(rep, ST_USAGE, "the unit of the signal is not known; add --unit, like --unit %s",
                w->spectrum ? "V2/Hz" : "V");
}

static enum status find_rate(const struct calibrate_wish *w, const struct recording *rec,
                             double *rate, struct report *rep)
{
    *rate = w->rate_hz.value;
    if (isfinite(*rate) && !rec->axis) return ST_OK;
    if (isfinite(*rate))
        return fail(rep, ST_USAGE, "--rate and a column of time: give one of them");
    if (!rec->axis)
        return fail(rep, ST_USAGE,
                    "the sampling rate is not known; add --rate, like --rate '200 kHz'");
    double step = (rec->axis[rec->n - 1] - rec->axis[0]) / (double)(rec->n - 1);
    for (size_t i = 0; i < rec->n; i++)
        if (!(fabs(rec->axis[i] - rec->axis[0] - step * (double)i) <= 0.05 * step))
            return fail(
                rep, ST_INPUT,
                "times must ascend in equal steps; sample %zu stands at %g s, expected %g s", i,
                rec->axis[i], rec->axis[0] + step * (double)i);
    *rate = 1 / step;
    return ST_OK;
}

/* --- the fit --- */

static enum status fit_series(const struct calibrate_wish *w, struct recording *rec,
                              struct spectrum *s, struct oscillator *out, bool *metres,
                              struct report *rep)
{
    const struct oscillator_wish wish = {w->near_hz, w->low_hz, w->high_hz};
    const char *unit;
    double factor = 1, rate = 0;
    enum status st = find_unit(w, rec, &unit, rep);
    if (st == ST_OK) st = signal_factor(unit, metres, &factor, rep);
    if (st == ST_OK) st = find_rate(w, rec, &rate, rep);
    if (st == ST_OK && w->lateral && *metres)
        st = fail(rep, ST_USAGE, "the recording of a twist must be in volts, not in '%s'", unit);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < rec->n * rec->count; i++)
        rec->x[i] *= factor;
    const struct records records = {rec->x, rec->n, rec->count, rate};
    return oscillator_from_records(&records, &wish, s, out, rep);
}

static enum status fit_spectrum(const struct calibrate_wish *w, struct recording *rec,
                                struct spectrum *s, struct oscillator *out, bool *metres,
                                struct report *rep)
{
    const struct oscillator_wish wish = {w->near_hz, w->low_hz, w->high_hz};
    const char *unit;
    double factor = 1;
    bool root, hann = !w->window || strcmp(w->window, "hann") == 0;
    enum status st = find_unit(w, rec, &unit, rep);
    if (st == ST_OK) st = density_factor(unit, metres, &root, &factor, rep);
    if (st == ST_OK && w->lateral && *metres)
        st = fail(rep, ST_USAGE, "the spectrum of a twist must be in volts, not in '%s'", unit);
    if (st == ST_OK && !rec->axis)
        st = fail(rep, ST_USAGE, "--spectrum needs the column of frequencies: add --axis-column");
    if (st == ST_OK && !(w->averages >= 1))
        st = fail(rep, ST_USAGE,
                  "--spectrum needs --averages, how many independent spectra it is the mean of: "
                  "without it no uncertainty can be told");
    if (st != ST_OK) return st;
    for (size_t i = 0; i < rec->n; i++)
        rec->x[i] = factor * (root ? rec->x[i] * rec->x[i] : rec->x[i]);
    st = spectrum_given(rec->axis, rec->x, rec->n, w->averages, hann, s, rep);
    return st == ST_OK ? oscillator_fit(s, &wish, out, rep) : st;
}

/* Metres become volts again, with the sensitivity they were made with: one way for all that
 * follows. */
static enum status to_volts(const struct calibrate_wish *w, struct oscillator *o,
                            struct report *rep)
{
    double s = w->input[SPRING_sensitivity].value, by = 1 / (s * s);
    if (!(s > 0))
        return fail(rep, ST_USAGE,
                    "the recording is in metres: give --sensitivity, the one they were made with, "
                    "since its uncertainty counts twice");
    o->value[OSC_area] *= by;
    o->whole *= by;
    o->whole_u *= by;
    for (int i = OSC_white; i < OSC_COUNT; i++) {
        o->value[i] *= by;
        for (int j = 0; j < OSC_COUNT; j++) {
            o->covariance[i][j] *= by;
            o->covariance[j][i] *= by;
        }
    }
    return ST_OK;
}

static double ln_u(const struct oscillator *o, int which)
{
    return sqrt(o->covariance[which][which]);
}

static void tell_fit(const struct spectrum *s, const struct oscillator *o,
                     struct calibrate_report *r)
{
    char f0[160], q[160], low[48], high[48];
    double resonance = o->value[OSC_resonance], quality = o->value[OSC_quality];
    describe_known(resonance, resonance * ln_u(o, OSC_resonance), "Hz", f0, sizeof f0);
    describe_known(quality, quality * ln_u(o, OSC_quality), "1", q, sizeof q);
    describe_value(o->low_hz, "Hz", low, sizeof low);
    describe_value(o->high_hz, "Hz", high, sizeof high);
    if (r->text) {
        describe_line("spectrum",
                      "%zu averages, %.3g equivalent degrees of freedom, %zu points from "
                      "%s to %s fitted",
                      s->segments, o->degrees_of_freedom, o->ordinates, low, high);
        describe_line("resonance", "%s", f0);
        describe_line("quality", "%s", q);
        describe_line("mean square", "%.5g V2, standard uncertainty %.2g %%", o->value[OSC_area],
                      100 * ln_u(o, OSC_area));
        describe_line("background", "white %.3g V2/Hz, 1/f %.3g V2/Hz at the resonance",
                      o->value[OSC_white], o->value[OSC_flicker]);
        describe_line("fit", "scatter around it %.3g of what it should be (standard score %+.1f)",
                      o->misfit, o->misfit_score);
    }
    json_object_set_new(
        r->json, "spectrum",
        json_pack("{s:I, s:f, s:I, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:f, s:f}",
                  "averages", (json_int_t)s->segments, "degrees_of_freedom", o->degrees_of_freedom,
                  "points", (json_int_t)o->ordinates, "low_hz", o->low_hz, "high_hz", o->high_hz,
                  "resonance_hz", resonance, "resonance_u", resonance * ln_u(o, OSC_resonance),
                  "quality", quality, "quality_u", quality * ln_u(o, OSC_quality), "area_v2",
                  o->value[OSC_area], "area_u", o->value[OSC_area] * ln_u(o, OSC_area), "white",
                  o->value[OSC_white], "flicker_at_resonance", o->value[OSC_flicker], "misfit",
                  o->misfit, "misfit_score", o->misfit_score));
}

static void judge_fit(const struct spectrum *s, const struct oscillator *o,
                      struct calibrate_report *r)
{
    double width = o->value[OSC_resonance] / fmax(o->value[OSC_quality], 1);
    calibrate_judge(r, "resonance", o->value[OSC_resonance]);
    calibrate_judge(r, "quality_factor", o->value[OSC_quality]);
    if (o->misfit_score > 6 && o->misfit > 1.1)
        calibrate_caution(r,
                          "the spectrum is not an oscillator with white and 1/f noise (a line of "
                          "the mains or of the laser, a second mode, a wrong number of averages?): "
                          "look at it, and choose --low and --high");
    if (width < 4 * s->step_hz)
        calibrate_caution(r, "the resonance is only %.1f points wide: record longer",
                          width / s->step_hz);
    if (ln_u(o, OSC_area) > 0.1)
        calibrate_caution(r, "the mean square is known to %.2g %% only: record longer",
                          100 * ln_u(o, OSC_area));
}

enum status calibrate_thermal(const struct calibrate_wish *w, struct oscillator *out, char *digest,
                              struct calibrate_report *r, struct report *rep)
{
    const struct recording_wish wish = {w->thermal, w->dataset, w->column, w->axis};
    struct recording rec;
    struct spectrum s = {0};
    bool metres = false;
    enum status st = recording_read(&wish, &rec, rep);
    if (st == ST_OK) {
        digest_text(rec.digest, digest);
        st = w->spectrum ? fit_spectrum(w, &rec, &s, out, &metres, rep)
                         : fit_series(w, &rec, &s, out, &metres, rep);
        if (st == ST_OK && metres) st = to_volts(w, out, rep);
        if (st != ST_OK) st = within(rep, st, "%s: ", w->thermal);
    }
    if (st == ST_OK) {
        tell_fit(&s, out, r);
        judge_fit(&s, out, r);
    }
    spectrum_free(&s);
    recording_free(&rec);
    return st;
}

/* --- the share of kB T/k --- */

enum motion calibrate_motion(const struct calibrate_wish *w)
{
    return w->motion && strcmp(w->motion, "free") == 0 ? MOTION_free : MOTION_contact;
}

struct unsure calibrate_area(const struct calibrate_wish *w, const struct oscillator *o)
{
    if (w->whole) return (struct unsure){o->whole, o->whole_u, true};
    return (struct unsure){o->value[OSC_area], o->value[OSC_area] * ln_u(o, OSC_area), true};
}

void calibrate_tell_share(struct calibrate_report *r, enum motion motion, enum band band)
{
    struct beam_mode first = beam_mode(1);
    double share = thermal_share(motion, band);
    char text[160];
    if (band == BAND_whole)
        snprintf(text, sizeof text, motion == MOTION_contact ? "4/3, all modes" : "1, all modes");
    else if (motion == MOTION_contact)
        snprintf(text, sizeof text,
                 "first mode: 12/alpha^4 = %.4f, times %.4f^2 for the slope of its end",
                 first.share, first.apparent_over_true);
    else
        snprintf(text, sizeof text, "first mode: 12/alpha^4");
    if (r->text) {
        describe_line("factor", "%.4f of kB T/k (%s; Butt, Jaschke 1995)", share, text);
        describe_line("", "  for: %s", motion_words[motion]);
    }
    json_object_set_new(
        r->json, "factor",
        json_pack("{s:f, s:s, s:s}", "value", share, "motion", motion_names[motion], "what", text));
}

/* --- the inverse: sensitivity from a known spring constant --- */

enum { IN_T, IN_K, IN_AREA, IN_TILT, IN_HEIGHT, IN_LENGTH, INPUTS };

static void inverse_model(const double *x, double *y, const void *context)
{
    const double *share = context;
    double k = x[IN_K];
    bool tip = isfinite(x[IN_HEIGHT]) && isfinite(x[IN_LENGTH]);
    if (isfinite(x[IN_TILT]))
        k /= spring_tilt_of_sensitivity(x[IN_TILT], tip ? x[IN_HEIGHT] : 0, tip ? x[IN_LENGTH] : 1);
    y[0] = thermal_sensitivity(x[IN_T], k, x[IN_AREA], *share);
}

/* A k that was itself found with a sensitivity would only give that one back. */
static enum status check_inverse(const struct calibrate_wish *w, const struct lever_file *file,
                                 struct report *rep)
{
    const struct lever_record *k = lever_file_find(file, "spring_constant");
    if (isnan(w->spring.value))
        return fail(rep, ST_USAGE,
                    "the sensitivity follows from thermal noise when the spring constant is known: "
                    "add --spring-constant, or a lever file that holds it");
    if (isnan(w->input[SPRING_temperature].value))
        return fail(rep, ST_USAGE, "--temperature is missing");
    if (k && k->value == w->spring.value &&
        strcmp(k->text.correlated_with, "deflection_sensitivity") == 0)
        return fail(rep, ST_INPUT,
                    "the spring constant of %s was found with a sensitivity, so it can only give "
                    "that one back; use one that is independent of it",
                    w->lever);
    return ST_OK;
}

static void tell_inverse(const struct propagated *p, struct calibrate_report *r)
{
    char text[160];
    describe_known(p->value, p->u, "m/V", text, sizeof text);
    json_object_set_new(r->json, "deflection_sensitivity",
                        json_pack("{s:f, s:f, s:f, s:f, s:f, s:s}", "value", p->value, "u", p->u,
                                  "low", p->low, "high", p->high,
                                  "correlation_with_spring_constant", p->correlation[IN_K], "unit",
                                  "m/V"));
    if (!r->text) return;
    describe_line("sensitivity", "%s%s", text, p->unstated ? ", at least" : "");
    describe_line("",
                  "from: spring constant %.2g %%, mean square %.2g %%, temperature %.2g %%; "
                  "correlation with the spring constant %.3f",
                  100 * fabs(p->part[IN_K]) / p->value, 100 * fabs(p->part[IN_AREA]) / p->value,
                  100 * fabs(p->part[IN_T]) / p->value, p->correlation[IN_K]);
}

static struct lever_record inverse_record(const struct calibrate_wish *w,
                                          const struct propagated *p)
{
    struct lever_record record = lever_record_make("deflection_sensitivity", p->value, p->u);
    struct lever_texts *t = &record.text;
    snprintf(t->method, sizeof t->method, "thermal");
    snprintf(t->correlated_with, sizeof t->correlated_with, "spring_constant");
    snprintf(t->correlated_value, sizeof t->correlated_value, "%.9g N/m", w->spring.value);
    snprintf(t->correlation, sizeof t->correlation, "%.6f", p->correlation[IN_K]);
    return record;
}

static enum status invert(struct calibrate_wish *w, struct lever_file *file,
                          struct calibrate_report *r, struct report *rep)
{
    struct oscillator o;
    struct propagated p;
    char digest[33];
    calibrate_fill(w, file);
    enum status st = check_inverse(w, file, rep);
    if (st == ST_OK) st = calibrate_thermal(w, &o, digest, r, rep);
    if (st != ST_OK) return st;
    const struct lever_record *k = lever_file_find(file, "spring_constant");
    bool contained = k && k->value == w->spring.value && k->tilt == SPRING_TILT_CONTAINED;
    enum band band = w->whole ? BAND_whole : BAND_first_mode;
    double share = thermal_share(calibrate_motion(w), band);
    struct unsure in[INPUTS] = {
        [IN_T] = w->input[SPRING_temperature],     [IN_K] = w->spring,
        [IN_AREA] = calibrate_area(w, &o),         [IN_TILT] = w->input[SPRING_tilt],
        [IN_HEIGHT] = w->input[SPRING_tip_height], [IN_LENGTH] = w->input[SPRING_length]};
    if (contained || calibrate_motion(w) == MOTION_free) in[IN_TILT].value = NAN;
    const struct propagate_job job = {.inputs = INPUTS,
                                      .results = 1,
                                      .input = in,
                                      .model = inverse_model,
                                      .context = &share,
                                      .draws = 20000,
                                      .seed = 1995};
    st = propagate(&job, &p, NULL, rep);
    if (st != ST_OK) return st;
    calibrate_tell_share(r, calibrate_motion(w), band);
    tell_inverse(&p, r);
    calibrate_judge(r, "deflection_sensitivity", p.value);
    if (p.unstated) calibrate_caution(r, "an input has no uncertainty: what is told is the least");
    struct lever_record record[2] = {
        inverse_record(w, &p), lever_record_make("spring_constant", w->spring.value, w->spring.u)};
    snprintf(record[1].text.method, sizeof record[1].text.method, "given");
    return calibrate_lever_close(w, file, record, k ? 1 : 2, w->thermal, digest, rep);
}

enum status calibrate_inverse(struct calibrate_wish *w, struct calibrate_report *r,
                              struct report *rep)
{
    struct lever_file *file = malloc(sizeof *file);
    if (!file) return fail(rep, ST_MEMORY, "not enough memory for a lever file");
    enum status st = calibrate_lever_open(w, "deflection_sensitivity", file, rep);
    if (st == ST_OK) st = invert(w, file, r, rep);
    free(file);
    return st;
}
