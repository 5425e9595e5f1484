#include "curve/lateral.h"

#include <math.h>

enum { FROM_BASELINE, FROM_CONTACT, FROM_RECIPE };
enum { FEWEST = 8, TERMS = 3 };

enum status lateral_plan(const struct recipe *recipe, struct curve_plan *plan, struct report *rep)
{
    static const enum recipe_key rows[] = {
        KEY_lateral_crosstalk_from, KEY_lateral_crosstalk, KEY_lateral_crosstalk_u,
        KEY_lateral_torsional_sensitivity, KEY_lateral_torsional_constant};
    const struct recipe_value *v = recipe->v;
    struct lateral_plan *l = &plan->lateral;
    *l = (struct lateral_plan){.crosstalk = NAN, .newton_per_volt = NAN};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        if (v[KEY_lateral_measure].choice != 1 && recipe_means(recipe, rows[i]))
            return fail(rep, ST_RECIPE,
                        "line %d: lateral.%s is given, but lateral.measure is no; write "
                        "lateral.measure: yes, or remove the line",
                        v[rows[i]].line, recipe_rows[rows[i]].key);
    if (v[KEY_lateral_measure].choice != 1) return ST_OK;
    l->from = v[KEY_lateral_crosstalk_from].choice;
    if ((l->from == FROM_RECIPE) != (v[KEY_lateral_crosstalk].given != 0))
        return fail(rep, ST_RECIPE,
                    "lateral.crosstalk and lateral.crosstalk_from: given go together; write both "
                    "or none");
    if (l->from == FROM_RECIPE) {
        l->crosstalk = v[KEY_lateral_crosstalk].si;
        l->crosstalk_u = v[KEY_lateral_crosstalk_u].given ? v[KEY_lateral_crosstalk_u].si : 0.0;
    }
    bool sensitivity = v[KEY_lateral_torsional_sensitivity].given,
         constant = v[KEY_lateral_torsional_constant].given;
    double height = plan->lever.item[LEVER_tip_height].value;
    if (sensitivity != constant || (sensitivity && !(height > 0)))
        return fail(rep, ST_RECIPE,
                    "a lateral force needs lateral.torsional_sensitivity, "
                    "lateral.torsional_constant and tip.tip_height; give all three, or neither of "
                    "the first two");
    if (sensitivity)
        l->newton_per_volt = v[KEY_lateral_torsional_constant].si *
                             v[KEY_lateral_torsional_sensitivity].si / height;
    plan->extent.analysis[ANALYSIS_lateral] = true;
    return ST_OK;
}

enum status lateral_check(const struct curve_plan *plan, const bool volts[SEG_COUNT],
                          struct report *rep)
{
    if (!plan->extent.analysis[ANALYSIS_lateral]) return ST_OK;
    if (!volts[SEG_APPROACH])
        return fail(rep, ST_RECIPE,
                    "lateral.measure asks for the lateral signal, but the volume has no "
                    "/approach/lateral in V and no quadrants; write lateral.measure: no");
    if (plan->lateral.from == FROM_CONTACT && !volts[SEG_RETRACT])
        return fail(rep, ST_RECIPE,
                    "lateral.crosstalk_from: contact needs the lateral signal of approach and "
                    "retract, but the volume has no /retract/lateral in V; write baseline or "
                    "given");
    return ST_OK;
}

/* One segment's lateral signal beside its lane. */
struct track {
    const struct lane *lane;
    double *l;                           /* [lane->n] V, line off */
    double level_var, slope_var, middle; /* of the line, at z = middle: independent there */
    double scatter;                      /* rms off the surface */
    size_t first;                        /* in contact from here on */
    bool there;
};

/* (A + C - B - D)/(A + B + C + D) times the mean of the sum, so that it is in volts. */
static double quadrant_twist(const double *v, double mean_sum)
{
    double sum = v[0] + v[1] + v[2] + v[3];
    return fabs(sum) > 0 ? (v[0] - v[1] + v[2] - v[3]) / sum * mean_sum : (double)NAN;
}

static double mean_of_sums(const double *v, size_t n)
{
    double sum = 0, count = 0;
    for (size_t i = 0; i < n; i++) {
        double here = v[4 * i] + v[4 * i + 1] + v[4 * i + 2] + v[4 * i + 3];
        if (isfinite(here)) sum += here, count += 1;
    }
    return sum / count;
}

/* The samples that the lane has kept: same order, same z. */
static bool pick(const struct raw_segment *from, bool four, bool backward, struct track *t)
{
    const struct lane *lane = t->lane;
    const double mean = four ? mean_of_sums(from->signal, from->n) : 0.0;
    size_t kept = 0;
    if (!four && !from->lateral) return false;
    for (size_t i = 0; i < from->n && kept < lane->n; i++) {
        size_t at = backward ? from->n - 1 - i : i;
        if (from->z_m[at] != lane->z[kept]) continue;
        t->l[kept++] = four ? quadrant_twist(from->signal + 4 * at, mean) : from->lateral[at];
    }
    for (size_t i = 0; i < kept; i++)
        if (!isfinite(t->l[i])) return false;
    return kept == lane->n;
}

/* Take the line off that the samples off the surface lie on. */
static void flatten(struct track *t)
{
    const struct lane *lane = t->lane;
    const size_t end = lane->quiet_end;
    struct line_sums sums = {.z0 = lane->z[0], .d0 = t->l[0]};
    for (size_t i = 0; i < end; i++)
        line_add(&sums, lane->z[i], t->l[i]);
    struct line line = line_through(&sums, 1);
    for (size_t i = 0; i < lane->n; i++)
        t->l[i] -= line.level + line.slope * (lane->z[i] - line.z_mean);
    t->scatter = line.rms;
    t->middle = line.z_mean;
    t->level_var = line.rms * line.rms / (double)end;
    t->slope_var = line.rms * line.rms / line.szz;
}

static void begin(const struct raw_curve *raw, enum segment_id id, struct lane *lane,
                  double *buffer, struct track *t)
{
    const bool usable = lane->n >= SMALLEST_CURVE && lane->quiet_end >= FEWEST &&
                        !lane->runs_back && lane->baseline_end > 0;
    *t = (struct track){.lane = lane, .l = buffer, .first = lane->n};
    t->there = usable &&
               pick(&raw->seg[id], raw->stage[id] == STAGE_QUADRANTS, id == SEG_RETRACT, t);
    if (!t->there) return;
    flatten(t);
    while (t->first > 0 && lane->flat[t->first - 1] > 3.0 * lane->noise)
        t->first--;
}

struct crosstalk {
    double value, u;           /* V/m */
    double with[2], with_peak; /* its covariances with the means of l in contact, and at the peak */
};

/* Motion of the free lever in both signals. flat may keep a line: both are taken about theirs. */
static struct crosstalk from_baseline(const struct track t[2])
{
    double product = 0, squares = 0, own = 0, free = -1;
    for (int s = 0; s < 2; s++) {
        if (!t[s].there) continue;
        free += (double)t[s].lane->quiet_end - 2.0;
        const struct lane *lane = t[s].lane;
        struct line_sums sums = {.z0 = lane->z[0], .d0 = lane->flat[0]};
        for (size_t i = 0; i < lane->quiet_end; i++)
            line_add(&sums, lane->z[i], lane->flat[i]);
        struct line line = line_through(&sums, 1);
        for (size_t i = 0; i < lane->quiet_end; i++) {
            double d = lane->flat[i] - line.level - line.slope * (lane->z[i] - line.z_mean);
            product += d * t[s].l[i], squares += d * d, own += t[s].l[i] * t[s].l[i];
        }
    }
    double rest = own - product * product / squares; /* both have lost their lines */
    return (struct crosstalk){.value = product / squares,
                              .u = sqrt(fmax(rest, 0) / free / squares)};
}

/* Gauss without pivots: the matrix is positive definite where it can be solved. */
static bool solve(double a[TERMS][TERMS], double b[][TERMS], int right_sides)
{
    for (int p = 0; p < TERMS; p++) {
        double pivot = a[p][p];
        if (!(pivot > 0)) return false;
        for (int i = 0; i < TERMS; i++) {
            if (i == p) continue;
            double share = a[i][p] / pivot;
            for (int j = 0; j < TERMS; j++)
                a[i][j] -= share * a[p][j];
            for (int r = 0; r < right_sides; r++)
                b[r][i] -= share * b[r][p];
        }
    }
    for (int r = 0; r < right_sides; r++)
        for (int p = 0; p < TERMS; p++)
            b[r][p] /= a[p][p];
    return true;
}

/* Variance of the line in the middle of the contact. */
static double line_variance(const struct track *t)
{
    const struct lane *lane = t->lane;
    double far = 0.5 * (lane->z[t->first] + lane->z[lane->n - 1]) - t->middle;
    return t->level_var + far * far * t->slope_var;
}

static bool from_contact(const struct track t[2], struct crosstalk *out)
{
    /* right sides: values; shifts of both lines; unit of c; the turning point's row */
    enum { VALUES, LEVELS, UNIT = 3, PEAK, SIDES };
    double a[TERMS][TERMS] = {{0}}, b[SIDES][TERMS] = {{0}}, scale = t[0].lane->peak_d, noise = 0;
    for (int s = 0; s < 2; s++) {
        const struct lane *lane = t[s].lane;
        const double sign = s ? -1.0 : 1.0;
        if (!t[s].there || lane->n - t[s].first < FEWEST) return false;
        noise += 0.5 * t[s].scatter * t[s].scatter;
        for (size_t i = t[s].first; i < lane->n; i++) {
            double d = lane->flat[i] / scale, row[TERMS] = {d, sign, sign * d};
            for (int p = 0; p < TERMS; p++) {
                for (int q = 0; q < TERMS; q++)
                    a[p][q] += row[p] * row[q];
                b[VALUES][p] += row[p] * t[s].l[i];
                b[LEVELS + s][p] += row[p];
            }
        }
    }
    b[UNIT][0] = 1.0; /* its solution's first number is the variance for noise of one */
    for (int p = 0; p < TERMS; p++)
        b[PEAK][p] = 1.0;
    if (!solve(a, b, SIDES)) return false;
    double var = noise * b[UNIT][0];
    *out = (struct crosstalk){.value = b[VALUES][0] / scale};
    for (int s = 0; s < 2; s++) {
        double by_line = b[LEVELS + s][0], line = line_variance(&t[s]);
        var += by_line * by_line * line;
        out->with[s] = by_line / scale * (noise / (double)(t[s].lane->n - t[s].first) + line);
    }
    out->with_peak = (noise * b[PEAK][0] + line_variance(&t[0]) * b[LEVELS][0]) / scale;
    out->u = sqrt(var) / fabs(scale);
    return true;
}

/* A weighted mean of the twist in contact, with what it owes to line and cross-talk. */
struct mean {
    double value, own_var, bend; /* V; of samples and line; mean deflection */
};

static void set(const struct curve_plan *plan, struct pixel_result *out, int map, int force_map,
                double value, double error)
{
    const double per = plan->lateral.newton_per_volt;
    out->map[map] = (struct measured){value, error};
    if (isfinite(per)) out->map[force_map] = (struct measured){per * value, fabs(per) * error};
}

static struct mean mean_over(const struct track *t, const struct crosstalk *c, size_t first,
                             const double *weight)
{
    const struct lane *lane = t->lane;
    const double equal = 1.0 / (double)(lane->n - first);
    struct mean m = {0};
    double squares = 0, z = 0;
    for (size_t i = first; i < lane->n; i++) {
        double by = weight ? weight[i - first] : equal;
        m.value += by * (t->l[i] - c->value * lane->flat[i]);
        m.bend += by * lane->flat[i];
        z += by * (lane->z[i] - t->middle);
        squares += by * by;
    }
    m.own_var = t->scatter * t->scatter * squares + t->level_var + z * z * t->slope_var;
    return m;
}

/* Error of a twist that is made of l with the variance `own`, and of c times `bend`. */
static double twist_error(const struct crosstalk *c, double own, double bend, double with)
{
    return sqrt(fmax(own + bend * bend * c->u * c->u - 2.0 * bend * with, 0));
}

static void set_means(const struct curve_plan *plan, const struct track t[2],
                      const struct crosstalk *c, struct pixel_result *out)
{
    struct mean m[2] = {{NAN, NAN, NAN}, {NAN, NAN, NAN}};
    for (int s = 0; s < 2; s++) {
        if (!t[s].there || t[s].lane->n - t[s].first < FEWEST) continue;
        m[s] = mean_over(&t[s], c, t[s].first, NULL);
        set(plan, out, s ? MAP_lateral_on_retract : MAP_lateral_on_approach,
            s ? MAP_lateral_force_on_retract : MAP_lateral_force_on_approach, m[s].value,
            twist_error(c, m[s].own_var, m[s].bend, c->with[s]));
    }
    double half = 0.5 * (m[0].value - m[1].value), bend = 0.5 * (m[0].bend - m[1].bend);
    if (isfinite(half))
        set(plan, out, MAP_lateral_half_difference, MAP_lateral_force_half_difference, half,
            twist_error(c, 0.25 * (m[0].own_var + m[1].own_var), bend,
                        0.5 * (c->with[0] - c->with[1])));
    if (!t[0].there || !(t[0].lane->n - t[0].first >= FEWEST)) return;
    struct mean peak = mean_over(&t[0], c, t[0].lane->n - PEAK_SAMPLES, t[0].lane->peak_weight);
    set(plan, out, MAP_lateral_at_peak, MAP_lateral_force_at_peak, peak.value,
        twist_error(c, peak.own_var, peak.bend, c->with_peak));
}

void lateral_measure(const struct curve_plan *plan, const struct raw_curve *raw,
                     struct curve_work *w, struct pixel_result *out)
{
    struct track t[2];
    struct crosstalk c = {.value = plan->lateral.crosstalk, .u = plan->lateral.crosstalk_u};
    if (!plan->extent.analysis[ANALYSIS_lateral]) return;
    begin(raw, SEG_APPROACH, &w->lane[0], w->fz, &t[0]);
    begin(raw, SEG_RETRACT, &w->lane[1], w->fy, &t[1]);
    bool known = t[0].there;
    if (known && plan->lateral.from == FROM_BASELINE) c = from_baseline(t);
    if (known && plan->lateral.from == FROM_CONTACT) known = from_contact(t, &c);
    if (!known || !isfinite(c.value)) {
        out->flags |= FLAG(no_lateral);
        return;
    }
    out->map[MAP_lateral_crosstalk] = (struct measured){c.value, c.u};
    set_means(plan, t, &c, out);
}
