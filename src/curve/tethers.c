#include "curve/tethers.h"
#include "curve/tether_chain.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SMALLEST_WINDOW = 6 };

enum status tethers_plan(const struct recipe *recipe, struct curve_plan *plan, struct report *rep)
{
    static const enum recipe_key rows[] = {KEY_tethers_window, KEY_tethers_false_alarms,
                                           KEY_tethers_chain, KEY_tethers_chain_unit,
                                           KEY_tethers_temperature};
    const struct recipe_value *v = recipe->v;
    struct tether_plan *t = &plan->tethers;
    bool asked = v[KEY_tethers_search].choice == 1;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        if (!asked && recipe_means(recipe, rows[i]))
            return fail(rep, ST_RECIPE,
                        "line %d: tethers.%s is given, but tethers.search is no; write "
                        "tethers.search: yes, or remove the line",
                        v[rows[i]].line, recipe_rows[rows[i]].key);
    if (!asked) return ST_OK;
    *t = (struct tether_plan){
        .window = (size_t)v[KEY_tethers_window].si,
        .alarm = v[KEY_tethers_false_alarms].si,
        .chain = v[KEY_tethers_chain].choice,
        .unit_m = v[KEY_tethers_chain_unit].given ? v[KEY_tethers_chain_unit].si : (double)NAN,
        .temperature_k = v[KEY_tethers_temperature].si};
    if (t->window < SMALLEST_WINDOW)
        return fail(rep, ST_RECIPE, "line %d: tethers.window: at least %d samples are needed",
                    v[KEY_tethers_window].line, SMALLEST_WINDOW);
    if (!(t->alarm > 0 && t->alarm < 1))
        return fail(rep, ST_RECIPE, "line %d: tethers.false_alarms must lie between 0 and 1",
                    v[KEY_tethers_false_alarms].line);
    for (int i = 0; i < 2; i++) {
        enum recipe_key key = i ? KEY_tethers_chain_unit : KEY_tethers_temperature;
        if (v[key].given && !(v[key].si > 0))
            return fail(rep, ST_RECIPE, "line %d: tethers.%s must be larger than zero", v[key].line,
                        recipe_rows[key].key);
    }
    plan->extent.analysis[ANALYSIS_tethers] = true;
    plan->extent.length[AXIS_event] = AXIS_MOST_event;
    for (size_t i = 0; i < AXIS_MOST_event; i++)
        plan->extent.at[AXIS_event][i] = (double)(i + 1);
    return ST_OK;
}

static double excursions(double t, double n, double next)
{
    const double turn = 1.0 - next, x = t * sqrt(2.0 * turn);
    const double density = exp(-0.5 * t * t) / sqrt(2 * M_PI);
    const double nu = 2.0 / x * (gsl_cdf_ugaussian_P(0.5 * x) - 0.5) /
                      (0.5 * x * gsl_cdf_ugaussian_P(0.5 * x) + exp(-x * x / 8) / sqrt(2 * M_PI));
    return n * turn * t * density * nu + gsl_cdf_ugaussian_Q(t);
}

double tethers_threshold(double alarm, double n, double next)
{
    double low = 1.5, high = 12, mean = -log1p(-alarm); /* none with probability 1 - alarm */
    while (high - low > 1e-6) {
        double middle = 0.5 * (low + high);
        if (excursions(middle, n, next) > mean)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high);
}

/* The filter at work: running sums of the retract's deflection. */
struct search {
    const struct lane *lane;
    size_t window, n;            /* samples that are looked at: those beyond the contact */
    double *sum, *turn, *square; /* of samples [0, i): d, i d, d d */
    double *score;          /* [n] step over its standard error, at the place before sample i */
    double weight_variance; /* v of the header */
    double next;            /* correlation of neighbouring scores */
    double sigma, threshold;
};

struct step {
    double height, left, right, sigma; /* m; sigma of a sample, from the lines where they miss */
};

/* Line through samples [from, to): its value at `at`; what it leaves is added to `rest`. */
static double line_value(const struct search *s, size_t from, size_t to, double at, double *rest)
{
    const double w = (double)(to - from), middle = (double)from + 0.5 * (w - 1.0);
    double sum = s->sum[to] - s->sum[from], turn = s->turn[to] - s->turn[from] - middle * sum;
    double mean = sum / w, szz = w * (w * w - 1.0) / 12.0, slope = turn / szz;
    double left = s->square[to] - s->square[from] - sum * mean - slope * turn;
    *rest += fmax(left, 0);
    return mean + slope * (at - middle);
}

/* The step between samples b - 1 and b, positive when the force rises as the lever goes away. */
static struct step step_at(const struct search *s, size_t b)
{
    const double at = (double)b - 0.5, free = 2.0 * (double)s->window - 4.0;
    struct step out;
    double rest = 0;
    out.left = line_value(s, b - s->window, b, at, &rest);
    out.right = line_value(s, b, b + s->window, at, &rest);
    out.height = out.left - out.right;
    /* lines that miss: a kink or another step lies in the window */
    bool missing = rest / free > s->sigma * s->sigma * (1.0 + 4.0 * sqrt(2.0 / free));
    out.sigma = missing ? sqrt(rest / free) : s->sigma;
    return out;
}

static double step_error(const struct search *s, double sigma)
{
    return sigma * sqrt(2.0 * s->weight_variance);
}

/* Weights of the filter at a distance, for the correlation of its neighbours. */
static double correlation_of(size_t window)
{
    const double w = (double)window, spread = w * (w * w - 1.0) / 12.0;
    double before = 0, squares = 0, products = 0;
    for (size_t j = 0; j < 2 * window; j++) {
        double far = j < window ? w - (double)j - 0.5 : (double)j - w + 0.5;
        double weight = 1.0 / w + 0.5 * w * (0.5 * w - far) / spread;
        weight = j < window ? weight : -weight;
        squares += weight * weight;
        if (j) products += weight * before;
        before = weight;
    }
    return products / squares;
}

static void run_sums(struct search *s)
{
    s->sum[0] = s->turn[0] = s->square[0] = 0;
    for (size_t i = 0; i < s->n; i++) {
        double d = s->lane->flat[i];
        s->sum[i + 1] = s->sum[i] + d;
        s->turn[i + 1] = s->turn[i] + (double)i * d;
        s->square[i + 1] = s->square[i] + d * d;
    }
}

/* Where noise has a memory the steps over the baseline scatter by more than white noise says. */
static double noise_for_steps(struct search *s)
{
    const size_t w = s->window, end = s->lane->quiet_end < s->n ? s->lane->quiet_end : s->n;
    double squares = 0, white = step_error(s, s->sigma), count;
    if (end < 6 * w) return s->sigma;
    for (size_t b = w; b + w <= end; b++)
        squares += pow(step_at(s, b).height / white, 2);
    count = (double)(end - 2 * w + 1);
    double scatter = sqrt(squares / count), error = sqrt((double)w / (2.0 * count));
    return scatter > 1.0 + 2.0 * error ? s->sigma * scatter : s->sigma;
}

/* What one cubic leaves of the samples on both sides, least squares in polynomials that are
 * orthogonal over them. */
static double cubic_rest(const struct search *s, size_t b)
{
    const size_t from = b - s->window, m = 2 * s->window;
    const double n = (double)m;
    double c[4] = {0}, norm[4] = {0}, rest = s->square[b + s->window] - s->square[from];
    for (size_t i = 0; i < m; i++) {
        double t = (double)i - 0.5 * (n - 1.0), d = s->lane->flat[from + i];
        double p[4] = {1, t, t * t - (n * n - 1.0) / 12, t * (t * t - (3 * n * n - 7) / 20)};
        for (int q = 0; q < 4; q++)
            c[q] += p[q] * d, norm[q] += p[q] * p[q];
    }
    for (int q = 0; q < 4; q++)
        rest -= c[q] * c[q] / norm[q];
    return rest;
}

/* A chain that stretches bends so fast that two lines find a step in it: a step must be the better
 * description than a smooth curve with as many unknowns. */
static bool is_sharp(const struct search *s, size_t b)
{
    double rest = 0;
    line_value(s, b - s->window, b, 0, &rest);
    line_value(s, b, b + s->window, 0, &rest);
    return rest < cubic_rest(s, b);
}

static bool is_event(const struct search *s, size_t b)
{
    const size_t half = s->window / 2;
    if (!(s->score[b] > s->threshold)) return false;
    for (size_t i = b > half ? b - half : 0; i <= b + half && i < s->n; i++)
        if (s->score[i] > s->score[b] || (s->score[i] == s->score[b] && i < b)) return false;
    return true;
}

/* The place at which two lines through the same samples leave least, near b: least squares. */
static size_t refine(const struct search *s, size_t b)
{
    const size_t half = s->window / 2, w = s->window;
    double least = INFINITY;
    size_t best = b;
    for (size_t i = b - half; i <= b + half; i++) {
        double rest = 0;
        line_value(s, b - w, i, 0, &rest);
        line_value(s, i, b + w, 0, &rest);
        if (rest < least && i >= w && i + w <= s->n) least = rest, best = i;
    }
    return best;
}

static bool begin(const struct curve_plan *plan, struct curve_work *w, const struct lane *lane,
                  struct search *s)
{
    const double window = (double)plan->tethers.window;
    *s = (struct search){.lane = lane,
                         .window = plan->tethers.window,
                         .n = lane->n,
                         .sum = w->sums[0],
                         .turn = w->sums[1],
                         .square = w->sums[2],
                         .score = w->reduced,
                         .sigma = lane->noise};
    while (s->n > 0 && lane->flat[s->n - 1] > 3.0 * lane->noise)
        s->n--;
    if (s->n < 2 * s->window + 2 || !(s->sigma > 0)) return false;
    s->weight_variance = (1.0 + 3.0 * window * window / (window * window - 1.0)) / window;
    s->next = correlation_of(s->window);
    run_sums(s);
    s->sigma = noise_for_steps(s);
    s->threshold = tethers_threshold(plan->tethers.alarm, (double)(s->n - 2 * s->window), s->next);
    return true;
}

struct event {
    size_t at; /* the last sample before the rupture, in time */
    double force, force_error, separation, separation_error;
    bool pulled; /* the lever was bent before it by more than noise */
};

static struct event describe(const struct curve_plan *plan, const struct search *s, size_t b,
                             double u_zero)
{
    const struct lane *lane = s->lane;
    const double k = plan->setup.spring_n_per_m, far = lane->z[b] - lane->z[b - 1];
    struct step step = step_at(s, b);
    double error = step_error(s, step.sigma), ratio = step.sigma / step.height;
    double samples = sqrt(26.0 * pow(ratio, 4) + 1.0 / 12);
    struct event e = {.at = b, .force = k * step.height, .force_error = k * error};
    /* separation = Z0 - z + d, half a sample after the last one that held */
    e.separation = lane_separation(lane, b) - lane->flat[b] + 0.5 * far + step.right;
    e.pulled = -step.right > s->threshold * step.sigma * sqrt(s->weight_variance);
    e.separation_error = hypot(
        hypot(samples * far, u_zero),
        hypot(step.sigma * sqrt(s->weight_variance), lane_baseline_error(lane, lane->z[b])));
    return e;
}

static void set(struct pixel_result *out, int map, double value, double error)
{
    out->map[map] = (struct measured){value, error};
}

static void set_events(const struct event *e, size_t n, struct pixel_result *out)
{
    const struct event *largest = e;
    set(out, MAP_event_count, (double)n, NAN);
    if (n == 0) return;
    for (size_t i = 0; i < n; i++) {
        if (e[i].force > largest->force) largest = &e[i];
        if (i >= AXIS_MOST_event) continue;
        set(out, MAP_event_force + (int)i, e[i].force, e[i].force_error);
        set(out, MAP_event_separation + (int)i, e[i].separation, e[i].separation_error);
    }
    if (n > AXIS_MOST_event) out->flags |= FLAG(more_events);
    set(out, MAP_first_event_force, e[0].force, e[0].force_error);
    set(out, MAP_first_event_separation, e[0].separation, e[0].separation_error);
    set(out, MAP_last_event_force, e[n - 1].force, e[n - 1].force_error);
    set(out, MAP_last_event_separation, e[n - 1].separation, e[n - 1].separation_error);
    set(out, MAP_largest_event_force, largest->force, largest->force_error);
    set(out, MAP_largest_event_separation, largest->separation, largest->separation_error);
}

/* The stretch of the retract that ends in the last event before which something pulled. */
static void set_chain(const struct curve_plan *plan, const struct search *s, const struct event *e,
                      size_t n, double u_zero, struct pixel_result *out)
{
    struct chain_fit fit;
    while (n > 0 && !e[n - 1].pulled)
        n--; /* a false alarm far out is no chain */
    if (plan->tethers.chain == 0 || n == 0) return;
    size_t to = n > 1 ? e[n - 2].at : s->n;
    while (to > e[n - 1].at && !(lane_separation(s->lane, to - 1) - s->lane->flat[to - 1] > 0))
        to--; /* in contact there is no chain to stretch */
    if (!chain_fit_run(plan, s->lane, e[n - 1].at, to, s->lane->noise, u_zero, &fit)) {
        out->flags |= FLAG(no_chain);
        return;
    }
    set(out, MAP_chain_contour_length, fit.chain.length_m, fit.u_length_m);
    set(out, MAP_chain_unit_length, fit.chain.unit_m,
        fit.u_unit_m > 0 ? fit.u_unit_m : (double)NAN);
    set(out, MAP_chain_chi_square, fit.chi_square, NAN);
    if (fit.chi_square > 2.0) out->flags |= FLAG(chain_misfit);
}

void tethers_measure(const struct curve_plan *plan, struct curve_work *w,
                     const struct contact_fit *fit, struct pixel_result *out)
{
    enum { EVENTS_MOST = 64 };
    const struct lane *lane = &w->lane[1];
    struct event event[EVENTS_MOST];
    struct search s;
    size_t n = 0;
    double u_zero = sqrt(fit->cov[COV_CONTACT_POINT][COV_CONTACT_POINT]);
    if (!plan->extent.analysis[ANALYSIS_tethers]) return;
    if (!isfinite(fit->contact_point) || lane->n < SMALLEST_CURVE || lane->baseline_end < 4 ||
        lane->runs_back || !begin(plan, w, lane, &s)) {
        out->flags |= FLAG(no_search);
        return;
    }
    for (size_t b = 0; b < s.n; b++)
        s.score[b] = 0;
    for (size_t b = s.window; b + s.window <= s.n; b++) {
        struct step step = step_at(&s, b);
        s.score[b] = step.height / step_error(&s, step.sigma);
    }
    for (size_t b = s.n; b-- > 0 && n < EVENTS_MOST;) { /* in the order of time */
        if (!is_event(&s, b) || !is_sharp(&s, b)) continue;
        size_t at = refine(&s, b);
        /* beside a kink the best place of two lines is the kink, where nothing jumps */
        if (s.score[at] > s.threshold) event[n++] = describe(plan, &s, at, u_zero);
    }
    set_events(event, n, out);
    set_chain(plan, &s, event, n, u_zero, out);
}
