#include "review/phases.h"

#include "review/bins.h"
#include "review/correlation.h"

#include <math.h>
#include <stdlib.h>

enum { POLISH_MOST = 100, AGAIN_MOST = 200 };

/* What a mixture leaves of each pixel: its distance from its phase, in standard deviations. */
static void leave(const struct mixture *m, const struct phase_data *d, double *rest)
{
    double p[MIXTURE_MOST];
    for (size_t i = 0; i < d->ny * d->nx; i++) {
        rest[i] = NAN;
        if (isnan(d->value[i])) continue;
        rest[i] = 0;
        mixture_at(m, d->value[i], p);
        for (int j = 0; j < m->k; j++)
            rest[i] += p[j] * (d->value[i] - m->mean[j]) / m->sd[j];
    }
}

static enum status fit_one(const struct phase_data *d, const struct weighted *few,
                           const struct weighted *all, int k, double *rest, struct phases *out,
                           struct report *rep)
{
    struct correlation c;
    struct mixture *m = &out->fit[k - 1];
    mixture_fit(few, k, k > 1 ? m - 1 : NULL, m);
    mixture_improve(all, m, POLISH_MOST);
    leave(m, d, rest);
    enum status st = correlation_find(d->ny, d->nx, rest, 0, &c, rep);
    out->n_effective[k - 1] = c.n_effective;
    out->bic[k - 1] = -2 * m->log_likelihood + mixture_parameters(k) * log((double)d->n);
    if (out->bic[k - 1] < out->bic[out->by_bic - 1]) out->by_bic = k;
    out->tried = k;
    return st;
}

/* What k phases are worth beyond `from`, with the pixels that k phases leave independent. */
static double worth_beyond(const struct phases *p, int from, int k, double n)
{
    double worth = p->n_effective[k - 1];
    double gain = p->fit[k - 1].log_likelihood - p->fit[from - 1].log_likelihood;
    return 2 * worth / n * gain - (mixture_parameters(k) - mixture_parameters(from)) * log(worth);
}

int phases_compare(const struct phases *p, double n)
{
    int at = 1;
    for (int k = 2; k <= p->tried; k++)
        if (worth_beyond(p, at, k, n) > 0) at = k;
    return at;
}

static void share_area(const struct phase_data *d, struct phases *out)
{
    const struct mixture *m = &out->fit[out->chosen - 1];
    double p[MIXTURE_MOST], total = 0;
    for (size_t i = 0; i < d->ny * d->nx; i++) {
        if (isnan(d->value[i])) continue;
        int best = 0;
        mixture_at(m, d->value[i], p);
        for (int j = 0; j < m->k; j++) {
            out->fraction[j] += d->area[i] * p[j];
            if (p[j] > p[best]) best = j;
        }
        out->assigned[best] += d->area[i];
        total += d->area[i];
    }
    for (int j = 0; j < m->k; j++) {
        out->fraction[j] /= total;
        out->assigned[j] /= total;
    }
}

enum status phases_find(const struct phase_data *d, int most, int asked, struct progress *p,
                        struct phases *out, struct report *rep)
{
    struct bins bins = {0};
    double *one = malloc(d->n * sizeof *one), *rest = malloc(d->ny * d->nx * sizeof *rest);
    enum status st = one && rest ? bins_make(d->sorted, d->n, &bins, rep)
                                 : fail(rep, ST_MEMORY, "not enough memory to look for phases");
    *out = (struct phases){.by_bic = 1};
    for (size_t i = 0; one && i < d->n; i++)
        one[i] = 1;
    const struct weighted few = {bins.x, bins.w, bins.n, (double)d->n};
    const struct weighted all = {d->sorted, one, d->n, (double)d->n};
    for (int k = 1; k <= most && st == ST_OK; k++) {
        st = fit_one(d, &few, &all, k, rest, out, rep);
        progress_show(p, (uint64_t)k);
    }
    if (st == ST_OK) {
        out->by_weighted = phases_compare(out, (double)d->n);
        out->chosen = asked ? asked : out->by_weighted;
        share_area(d, out);
    }
    for (int j = 0; j < MIXTURE_MOST; j++)
        out->weight_se[j] = out->mean_se[j] = out->sd_se[j] = out->average_se[j] = NAN;
    bins_free(&bins);
    free(one);
    free(rest);
    return st;
}

void phases_assign(const struct mixture *m, const struct phase_data *d, uint8_t *phase,
                   float *probability)
{
    double p[MIXTURE_MOST];
    for (size_t i = 0; i < d->ny * d->nx; i++) {
        phase[i] = 0;
        probability[i] = NAN;
        if (isnan(d->value[i])) continue;
        int best = 0;
        mixture_at(m, d->value[i], p);
        for (int j = 1; j < m->k; j++)
            if (p[j] > p[best]) best = j;
        phase[i] = (uint8_t)(best + 1);
        probability[i] = (float)p[best];
    }
}

/* Means and squares of four numbers a phase, by the method of B.P. Welford, Technometrics 4 (1962)
 * 419. */
enum { OF_WEIGHT, OF_MEAN, OF_SD, OF_AVERAGE, OF_COUNT };

struct phase_draws {
    struct bins bins;
    double *w; /* [bins.n] of a draw */
    struct mixture start;
    size_t draws;
    double mean[OF_COUNT][MIXTURE_MOST], square[OF_COUNT][MIXTURE_MOST];
};

enum status phase_draws_make(struct phase_draws **out, const struct phase_data *d,
                             const struct phases *p, struct report *rep)
{
    enum status st;
    *out = calloc(1, sizeof **out);
    if (!*out) return fail(rep, ST_MEMORY, "not enough memory to resample phases");
    st = bins_make(d->sorted, d->n, &(*out)->bins, rep);
    (*out)->start = p->fit[p->chosen - 1];
    if (st == ST_OK && !((*out)->w = malloc(((*out)->bins.n + 1) * sizeof(double))))
        st = fail(rep, ST_MEMORY, "not enough memory to resample phases");
    if (st != ST_OK) phase_draws_free(out);
    return st;
}

void phase_draws_add(struct phase_draws *s, const unsigned *count)
{
    struct weighted v = {s->bins.x, s->w, s->bins.n, 0};
    struct mixture m = s->start;
    for (size_t b = 0; b < s->bins.n; b++) {
        s->w[b] = 0;
        for (size_t i = s->bins.first[b]; i < s->bins.first[b + 1]; i++)
            s->w[b] += count[i];
        v.total += s->w[b];
    }
    mixture_improve(&v, &m, AGAIN_MOST);
    s->draws++;
    for (int j = 0; j < m.k; j++) {
        const double now[OF_COUNT] = {m.weight[j], m.mean[j], m.sd[j],
                                      m.mean[j] + m.sd[j] * m.sd[j] / 2};
        for (int q = 0; q < OF_COUNT; q++) {
            double step = now[q] - s->mean[q][j];
            s->mean[q][j] += step / (double)s->draws;
            s->square[q][j] += step * (now[q] - s->mean[q][j]);
        }
    }
}

void phase_draws_close(const struct phase_draws *s, double widen, struct phases *p)
{
    p->draws = s->draws;
    for (int j = 0; j < s->start.k; j++) {
        double *se[OF_COUNT] = {&p->weight_se[j], &p->mean_se[j], &p->sd_se[j], &p->average_se[j]};
        for (int q = 0; q < OF_COUNT; q++)
            *se[q] = s->draws > 1 ? widen * sqrt(s->square[q][j] / (double)(s->draws - 1)) : NAN;
    }
}

void phase_draws_free(struct phase_draws **s)
{
    if (!*s) return;
    bins_free(&(*s)->bins);
    free((*s)->w);
    free(*s);
    *s = NULL;
}
