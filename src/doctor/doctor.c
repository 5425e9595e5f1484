#include "doctor/doctor.h"
#include "base/units.h"
#include "doctor/shape.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

const struct trouble_row trouble_rows[TROUBLE_COUNT] = {
#define T(name, words) {#name, words},
    TROUBLE_LIST(T)
#undef T
};
const char *const evidence_words[] = {[EVIDENCE_SHOWN] = "the curves show it",
                                      [EVIDENCE_LIKELY] = "most curves look so",
                                      [EVIDENCE_PLAUSIBILITY] = "plausibility only"};

enum { MOST_CURVES = 64, TILES = 8 };

/* What levers, detectors and tips usually have: common practice, no source. */
static const struct {
    double low, high;
} usual_sensitivity = {1e-9, 2e-6}, usual_spring = {0.003, 600}, usual_radius = {1e-9, 30e-6};
static const double widest_half_angle = 45, colloid_radius = 0.5e-6;
/* A line steeper than a rigid sample's, with room for a sensitivity that is a few per cent off. */
static const double steepest = 1.15;
/* A dip that is no noise. */
static const double dip_above_noise = 15;
/* Curves that tell anything: fewer say nothing of the volume. */
static const size_t fewest = 3;

/* What was seen of the curves. */
struct seen {
    size_t n, contact, at_low, falling, adhesive, exchanged;
    double slope[MOST_CURVES]; /* |dy/dz| of the contact line, of curves with contact */
    double noise[MOST_CURVES];
    double steep_slope; /* their upper quartile */
    double mean_noise;
};

/* --- looking --- */

/* Quadrants as one number; the others as they are. */
static const double *plain_signal(const struct raw_curve *c, enum segment_id id, double *work)
{
    const struct raw_segment *s = &c->seg[id];
    if (c->stage[id] != STAGE_QUADRANTS) return s->signal;
    for (size_t i = 0; i < s->n; i++) {
        const double *q = s->signal + 4 * i;
        work[i] = (q[0] + q[1] - q[2] - q[3]) / (q[0] + q[1] + q[2] + q[3]);
    }
    return work;
}

static void look_at(const struct raw_curve *c, double *work, size_t n_max, struct seen *s)
{
    struct shape approach, retract = {.usable = false};
    const struct raw_segment *a = &c->seg[SEG_APPROACH], *r = &c->seg[SEG_RETRACT];
    if (c->absent || a->n == 0 || a->clipped > 0 || r->clipped > 0 || s->n == MOST_CURVES) return;
    shape_find(a->z_m, plain_signal(c, SEG_APPROACH, work + 3 * n_max), a->n, work, &approach);
    if (r->n > 0)
        shape_find(r->z_m, plain_signal(c, SEG_RETRACT, work + 3 * n_max), r->n, work, &retract);
    if (!approach.usable) return;
    s->noise[s->n++] = approach.noise;
    if (approach.end == CONTACT_NOT_SEEN) return;
    bool low = approach.end == CONTACT_AT_LOW_Z;
    s->slope[s->contact++] = fabs(approach.slope);
    s->at_low += low;
    /* towards the contact the signal rises */
    s->falling += (approach.slope > 0) == low;
    if (!retract.usable || retract.end != approach.end) return;
    double limit = dip_above_noise * fmax(approach.noise, retract.noise);
    bool on_approach = approach.pull > limit, on_retract = retract.pull > limit;
    s->adhesive += on_approach || on_retract;
    s->exchanged += on_approach && approach.pull > 2 * retract.pull;
}

static enum status look(struct volume *v, struct seen *s, struct report *rep)
{
    const struct volume_facts *f = volume_facts(v);
    size_t tiles = volume_tile_count(v), taken = tiles < TILES ? tiles : TILES, n_max = 1;
    enum status st = ST_OK;
    for (int id = 0; id < SEG_COUNT; id++)
        if (f->seg[id].n > n_max) n_max = f->seg[id].n;
    double *work = malloc(4 * n_max * sizeof *work);
    if (!work) return fail(rep, ST_MEMORY, "not enough memory for a curve of %zu samples", n_max);
    for (size_t i = 0; i < taken && st == ST_OK; i++) {
        struct tile t = volume_tile(v, (2 * i + 1) * tiles / (2 * taken));
        size_t pixels = t.rows * t.cols, wanted = MOST_CURVES / taken;
        st = volume_read_tile(v, t, rep);
        if (wanted > pixels) wanted = pixels;
        for (size_t k = 0; k < wanted && st == ST_OK; k++) {
            struct raw_curve c;
            size_t pixel = (2 * k + 1) * pixels / (2 * wanted);
            volume_curve(v, t.row0 + pixel / t.cols, t.col0 + pixel % t.cols, &c);
            look_at(&c, work, n_max, s);
        }
    }
    free(work);
    if (s->contact > 0) {
        gsl_sort(s->slope, 1, s->contact);
        s->steep_slope = gsl_stats_quantile_from_sorted_data(s->slope, 1, s->contact, 0.75);
    }
    if (s->n > 0) s->mean_noise = gsl_stats_mean(s->noise, 1, s->n);
    return st;
}

/* --- saying --- */

static struct finding *add(struct diagnosis *d, enum trouble trouble, enum evidence evidence)
{
    struct finding *f = &d->finding[d->n++];
    *f = (struct finding){.trouble = trouble, .evidence = evidence};
    return f;
}

static void say(char *out, size_t size, const char *fmt, ...) PRINTF_LIKE(3, 4);
static void say(char *out, size_t size, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    vsnprintf(out, size, fmt, args);
    va_end(args);
}
#define REASON(f, ...) say((f)->reason, sizeof(f)->reason, __VA_ARGS__)
#define FORCE_CORRECTION                                                                           \
    "if the numbers are a force, write 'force' into the attribute 'stage' of the signal and 'N' "  \
    "(or 'nN') into 'units'; when importing: 'stage: force' under 'signal:'. Else the unit of "    \
    "deflection or z is wrong"
#define CORRECTION(f, ...) say((f)->correction, sizeof(f)->correction, __VA_ARGS__)

static void cannot_tell(struct diagnosis *d, const char *text)
{
    if (d->n_unsure < MOST_UNSURE)
        snprintf(d->unsure[d->n_unsure++].text, sizeof d->unsure->text, "%s", text);
}

static bool most(size_t part, size_t of)
{
    return of >= fewest && 4 * part > 3 * of;
}

static double known(const struct volume_facts *f, enum lever_item item)
{
    return f->lever.item[item].value;
}

/* Deflection for each unit of the signal; NaN when it is not known. */
static double deflection_factor(const struct volume_facts *f)
{
    switch (f->seg[SEG_APPROACH].stage) {
    case STAGE_DETECTOR:
        return known(f, LEVER_deflection_sensitivity);
    case STAGE_QUADRANTS:
        return known(f, LEVER_quadrant_sensitivity);
    case STAGE_FORCE:
        return 1 / known(f, LEVER_spring_constant);
    default:
        return 1;
    }
}

static void judge_directions(const struct seen *s, struct diagnosis *d)
{
    if (most(s->at_low, s->contact)) {
        struct finding *f = add(d, TROUBLE_z_reversed, EVIDENCE_LIKELY);
        REASON(f,
               "%zu of %zu curves with a contact have it at the begin of the approach, where "
               "the tip is farthest away",
               s->at_low, s->contact);
        CORRECTION(f, "store signal and z of each segment in the order of time; when importing, "
                      "turn them with 'samples: LAST..0' under 'approach:' and 'retract:', or "
                      "exchange the two segments");
    }
    if (most(s->falling, s->contact)) {
        struct finding *f = add(d, TROUBLE_sign_reversed, EVIDENCE_LIKELY);
        REASON(f, "%zu of %zu curves with a contact fall towards it instead of rising", s->falling,
               s->contact);
        CORRECTION(f, "set the attribute 'repulsion' of the signal to 'negative' (now 'positive'), "
                      "or the other way round; when importing: 'repulsion' under 'signal:'");
    }
    if (most(s->exchanged, s->adhesive)) {
        struct finding *f = add(d, TROUBLE_segments_exchanged, EVIDENCE_LIKELY);
        REASON(f,
               "in %zu of %zu curves with adhesion the approach dips more than twice as deep "
               "below its baseline as the retract",
               s->exchanged, s->adhesive);
        CORRECTION(f, "exchange approach and retract, each in the order of time; when importing: "
                      "exchange their 'signal', 'z' and 'samples'");
    }
}

/* A rigid sample bends the lever as far as the piezo moves: no contact line of a deflection over z
 * is steeper than one. */
static void judge_steepness(const struct volume_facts *f, const struct seen *s, struct diagnosis *d)
{
    enum signal_stage stage = f->seg[SEG_APPROACH].stage;
    double factor = deflection_factor(f), slope = factor * s->steep_slope;
    double k = known(f, LEVER_spring_constant);
    char limit[48];
    if (s->contact < fewest || !(slope > steepest)) return;
    bool force = stage == STAGE_DEFLECTION && k > 1 && slope < steepest * k;
    struct finding *t = add(d, force ? TROUBLE_force_as_deflection : TROUBLE_too_steep,
                            EVIDENCE_SHOWN);
    REASON(t,
           "the contact line rises by %.3g m of deflection for each m of z; on a rigid sample it "
           "is 1, on any other less",
           slope);
    units_show(1 / s->steep_slope, "m", 3, limit, sizeof limit);
    if (force)
        CORRECTION(t, FORCE_CORRECTION);
    else if (stage == STAGE_DETECTOR || stage == STAGE_QUADRANTS)
        CORRECTION(t, "calibration.%s in the recipe can be at most %s%s; or the unit of z is wrong",
                   stage == STAGE_DETECTOR ? "deflection_sensitivity" : "quadrant_sensitivity",
                   limit, stage == STAGE_DETECTOR ? "/V" : "");
    else if (stage == STAGE_FORCE)
        CORRECTION(t,
                   "calibration.spring_constant in the recipe must be at least %.3g N/m, or the "
                   "signal is a deflection ('stage: deflection'), or the unit of force or z is "
                   "wrong",
                   s->steep_slope);
    else
        CORRECTION(t, "the unit of deflection or of z is wrong");
}

static bool inside(double x, double low, double high)
{
    return x >= low && x <= high;
}

static void judge_sensitivity(const struct volume_facts *f, const struct seen *s,
                              struct diagnosis *d)
{
    double value = known(f, LEVER_deflection_sensitivity);
    char limit[120] = "", now[48], inverse[48];
    if (f->seg[SEG_APPROACH].stage != STAGE_DETECTOR) return;
    if (s->contact >= fewest) {
        char most_text[48];
        units_show(1 / s->steep_slope, "m", 3, most_text, sizeof most_text);
        snprintf(limit, sizeof limit, "; from the contact lines it is at most %s/V", most_text);
    }
    if (isnan(value)) {
        struct finding *t = add(d, TROUBLE_no_sensitivity, EVIDENCE_SHOWN);
        REASON(t,
               "the stage of the signal is 'detector', and /calibration/deflection_sensitivity "
               "is not there%s",
               limit);
        CORRECTION(t,
                   "write 'deflection_sensitivity: ... nm/V' under 'calibration:' of the recipe");
        return;
    }
    if (inside(value, usual_sensitivity.low, usual_sensitivity.high)) return;
    /* 0.02 V/nm written as 0.02 nm/V: the number of nm/V is one over the number */
    double other = 1e-18 / value;
    bool inverted = inside(other, usual_sensitivity.low, usual_sensitivity.high);
    struct finding *t = add(d, inverted ? TROUBLE_sensitivity_inverted : TROUBLE_sensitivity_range,
                            EVIDENCE_PLAUSIBILITY);
    units_show(value, "m", 4, now, sizeof now);
    units_show(other, "m", 4, inverse, sizeof inverse);
    REASON(t, "it is %s/V; 1 nm/V to 2 um/V are usual%s", now, limit);
    if (s->contact >= fewest && value * s->steep_slope < 1e-3) {
        t->evidence = EVIDENCE_LIKELY;
        say(t->reason, sizeof t->reason,
            "it is %s/V; 1 nm/V to 2 um/V are usual, and with it the lever would bend by only %.1g "
            "of the way of the piezo in contact%s",
            now, value * s->steep_slope, limit);
    }
    if (inverted)
        CORRECTION(t,
                   "if it was given in V/nm, write 'deflection_sensitivity: %s/V' under "
                   "'calibration:' of the recipe",
                   inverse);
    else
        CORRECTION(t, "check calibration.deflection_sensitivity and its unit");
}

static void mixed_up(struct finding *t, double k)
{
    if (inside(k, usual_spring.low, usual_spring.high))
        CORRECTION(t,
                   "1 pN/nm = 0.001 N/m: if the unit was mixed up, write 'spring_constant: %.4g "
                   "N/m' under 'calibration:' of the recipe",
                   k);
    else
        CORRECTION(t, "check calibration.spring_constant and its unit");
}

/* A free lever moves by sqrt(kB T/k) (equipartition; H.-J. Butt, M. Jaschke, Nanotechnology 6
 * (1995) 1). Filters and slow sampling hide a part of it, hence a wide margin. */
static bool too_quiet(const struct volume_facts *f, const struct seen *s, double k,
                      struct diagnosis *d)
{
    static const double margin = 15, least_real_m = 1e-13, thermal_j = 1.380649e-23 * 295;
    double noise = deflection_factor(f) * s->mean_noise, free_lever = sqrt(thermal_j / k);
    char one[48], other[48];
    if (s->n < fewest || !(noise > least_real_m) || !(margin * noise < free_lever)) return false;
    /* a force of a soft lever has small numbers, and small noise */
    bool force = f->seg[SEG_APPROACH].stage == STAGE_DEFLECTION && k < 1 &&
                 margin * noise / k > free_lever;
    struct finding *t = add(d, force ? TROUBLE_force_as_deflection : TROUBLE_spring_constant_range,
                            EVIDENCE_LIKELY);
    units_show(noise, "m", 2, one, sizeof one);
    units_show(free_lever, "m", 2, other, sizeof other);
    REASON(t,
           "the noise of the deflection is %s, but a free lever of %.4g N/m moves by %s at room "
           "temperature, if the recording does not hide it",
           one, k, other);
    if (force)
        CORRECTION(t, FORCE_CORRECTION);
    else
        mixed_up(t, 1e3 * k);
    return true;
}

static void judge_spring(const struct volume_facts *f, const struct seen *s, struct diagnosis *d)
{
    double k = known(f, LEVER_spring_constant), other = k < usual_spring.low ? 1e3 * k : 1e-3 * k;
    if (isnan(k)) return;
    if (inside(k, usual_spring.low, usual_spring.high)) {
        bool either = inside(1e3 * k, usual_spring.low, usual_spring.high) ||
                      inside(1e-3 * k, usual_spring.low, usual_spring.high);
        if (!too_quiet(f, s, k, d) && either)
            cannot_tell(d, "whether the spring constant is off by a thousand (1 N/m = 1000 pN/nm): "
                           "levers a thousand times softer or stiffer are usual as well");
        return;
    }
    struct finding *t = add(d, TROUBLE_spring_constant_range, EVIDENCE_PLAUSIBILITY);
    REASON(t, "it is %.4g N/m; 0.003 to 600 N/m are usual", k);
    mixed_up(t, other);
}

static void judge_tip(const struct volume_facts *f, struct diagnosis *d)
{
    static const enum lever_item angles[] = {LEVER_tip_half_angle, LEVER_tip_face_angle};
    double radius = known(f, LEVER_tip_radius);
    char now[48], half[48];
    if (isfinite(radius) && !inside(radius, usual_radius.low, usual_radius.high)) {
        struct finding *t = add(d, TROUBLE_radius_range, EVIDENCE_PLAUSIBILITY);
        units_show(radius, "m", 4, now, sizeof now);
        units_show(radius / 2, "m", 4, half, sizeof half);
        REASON(t, "it is %s; 1 nm to 30 um are usual. No curve shows a radius by itself", now);
        CORRECTION(t, "if it is the diameter, write 'tip_radius: %s' under 'tip:' of the recipe",
                   half);
    } else if (radius > colloid_radius) {
        cannot_tell(d, "whether the tip radius is the diameter of the sphere: modulus and radius "
                       "go together in every curve (makers of spheres state the diameter)");
    }
    for (int i = 0; i < 2; i++) {
        double degree = known(f, angles[i]) * 180 / acos(-1);
        if (!(degree > widest_half_angle)) {
            if (isfinite(degree))
                cannot_tell(d, "whether the angle of the tip is the full angle between its sides: "
                               "modulus and angle go together in every curve");
            continue;
        }
        struct finding *t = add(d, TROUBLE_angle_range, EVIDENCE_PLAUSIBILITY);
        REASON(t,
               "%s is %.4g degree; from axis to side 10 to 45 degree are usual. No curve shows "
               "an angle by itself",
               lever_rows[angles[i]].words, degree);
        CORRECTION(t,
                   "if it is the angle from side to side, write '%s: %.4g degree' under 'tip:' "
                   "of the recipe",
                   lever_rows[angles[i]].name, degree / 2);
        return;
    }
}

enum status doctor_examine(struct volume *v, struct diagnosis *out, struct report *rep)
{
    struct seen s = {.n = 0};
    const struct volume_facts *f = volume_facts(v);
    *out = (struct diagnosis){.n = 0};
    enum status st = look(v, &s, rep);
    if (st != ST_OK) return st;
    out->looked_at = s.n;
    out->with_contact = s.contact;
    judge_directions(&s, out);
    judge_steepness(f, &s, out);
    judge_sensitivity(f, &s, out);
    judge_spring(f, &s, out);
    judge_tip(f, out);
    if (s.contact < fewest)
        cannot_tell(out, "whether signs and directions are right: fewer than three of the curves "
                         "looked at show a contact");
    else if (f->seg[SEG_APPROACH].stage == STAGE_DEFLECTION ||
             f->seg[SEG_APPROACH].stage == STAGE_FORCE)
        cannot_tell(out, "whether the signal is force or deflection, where no contact line is "
                         "steeper than that of a rigid sample");
    return ST_OK;
}
