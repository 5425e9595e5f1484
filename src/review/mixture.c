#include "review/mixture.h"

#include <math.h>
#include <stdlib.h>

/* Short runs from all starts, then the best one to its end: C. Biernacki et al., Comput. Stat. Data
 * Anal. 41 (2003) 561. */
enum { SHORT_RUN = 60, ITERATIONS_MOST = 1000 };
#define TOLERANCE 1e-8 /* gain of ln L a value, below which a step ends the search */
#define NARROWEST 0.01

int mixture_parameters(int k)
{
    return 3 * k - 1;
}

/* Constants of the components at hand: ln(weight/(sd sqrt(2 pi))) and 1/sd. */
struct constants {
    double offset[MIXTURE_MOST], inverse[MIXTURE_MOST];
};

static struct constants prepare(const struct mixture *m)
{
    struct constants c = {{0}, {0}};
    for (int j = 0; j < m->k; j++) {
        c.offset[j] = log(m->weight[j] / m->sd[j]) - 0.91893853320467274178; /* ln sqrt(2 pi) */
        c.inverse[j] = 1 / m->sd[j];
    }
    return c;
}

static double density(const struct mixture *m, const struct constants *c, double x,
                      double probability[MIXTURE_MOST])
{
    double largest = -INFINITY, sum = 0;
    for (int j = 0; j < m->k; j++) {
        double z = (x - m->mean[j]) * c->inverse[j];
        probability[j] = c->offset[j] - z * z / 2;
        largest = fmax(largest, probability[j]);
    }
    for (int j = 0; j < m->k; j++)
        sum += probability[j] = exp(probability[j] - largest);
    for (int j = 0; j < m->k; j++)
        probability[j] /= sum;
    return largest + log(sum);
}

double mixture_at(const struct mixture *m, double x, double probability[MIXTURE_MOST])
{
    const struct constants c = prepare(m);
    return density(m, &c, x, probability);
}

/* Standard deviation of all values. */
static double spread(const struct weighted *v, double *mean)
{
    double sum = 0, square = 0;
    for (size_t i = 0; i < v->n; i++)
        sum += v->w[i] * v->x[i];
    *mean = sum / v->total;
    for (size_t i = 0; i < v->n; i++)
        square += v->w[i] * (v->x[i] - *mean) * (v->x[i] - *mean);
    return sqrt(square / v->total);
}

/* Sums of the E step, about `centre` so that squares do not cancel. */
struct sums {
    double centre, one[MIXTURE_MOST], x[MIXTURE_MOST], xx[MIXTURE_MOST], log_likelihood;
};

static void expect(const struct weighted *v, const struct mixture *m, struct sums *s)
{
    const struct constants c = prepare(m);
    double p[MIXTURE_MOST];
    for (int j = 0; j < m->k; j++)
        s->one[j] = s->x[j] = s->xx[j] = 0;
    s->log_likelihood = 0;
    for (size_t i = 0; i < v->n; i++) {
        if (!(v->w[i] > 0)) continue;
        double d = v->x[i] - s->centre;
        s->log_likelihood += v->w[i] * density(m, &c, v->x[i], p);
        for (int j = 0; j < m->k; j++) {
            double w = v->w[i] * p[j];
            s->one[j] += w;
            s->x[j] += w * d;
            s->xx[j] += w * d * d;
        }
    }
}

static void maximise(const struct weighted *v, const struct sums *s, double floor,
                     struct mixture *m)
{
    m->at_floor = false;
    for (int j = 0; j < m->k; j++) {
        /* a component that nothing belongs to keeps its place and a trace of weight */
        double one = fmax(s->one[j], 1e-12 * v->total);
        double mean = s->one[j] > 1e-12 * v->total ? s->x[j] / one : m->mean[j] - s->centre;
        double variance = s->xx[j] / one - mean * mean;
        m->weight[j] = one / v->total;
        m->mean[j] = s->centre + mean;
        m->sd[j] = sqrt(fmax(variance, floor * floor));
        m->at_floor |= !(variance > floor * floor);
    }
}

static void order(struct mixture *m)
{
    for (int i = 1; i < m->k; i++)
        for (int j = i; j > 0 && m->mean[j] < m->mean[j - 1]; j--) {
            double *row[3] = {m->weight, m->mean, m->sd};
            for (int r = 0; r < 3; r++) {
                double keep = row[r][j];
                row[r][j] = row[r][j - 1];
                row[r][j - 1] = keep;
            }
        }
}

/* EM until the gain is small; ln L belongs to the parameters that come out. */
void mixture_improve(const struct weighted *v, struct mixture *m, int most)
{
    struct sums s;
    double all = spread(v, &s.centre), floor = fmax(NARROWEST * all, 1e-12);
    expect(v, m, &s);
    m->converged = false;
    for (m->iterations = 0; m->iterations < most && !m->converged; m->iterations++) {
        double before = s.log_likelihood;
        maximise(v, &s, floor, m);
        expect(v, m, &s);
        m->converged = s.log_likelihood - before < TOLERANCE * v->total;
    }
    m->log_likelihood = s.log_likelihood;
    order(m);
}

/* A component of the values from `low` on and below `high`. */
static void component_of_slice(const struct weighted *v, size_t from, size_t to, double all,
                               struct mixture *m, int j)
{
    double w = 0, sum = 0, square = 0;
    for (size_t i = from; i < to; i++)
        w += v->w[i], sum += v->w[i] * v->x[i];
    double mean = w > 0 ? sum / w : v->x[from < v->n ? from : v->n - 1];
    for (size_t i = from; i < to; i++)
        square += v->w[i] * (v->x[i] - mean) * (v->x[i] - mean);
    m->weight[j] = fmax(w / v->total, 0.01 / m->k);
    m->mean[j] = mean;
    m->sd[j] = fmax(w > 0 ? sqrt(square / w) : 0, 0.05 * all);
}

/* Slices of equal count (or equal width between the outer hundredths). */
static void start_slices(const struct weighted *v, int k, bool by_count, double all,
                         struct mixture *m)
{
    size_t from = 0, low = 0, high = v->n - 1;
    double below = 0;
    *m = (struct mixture){.k = k};
    for (double w = 0; low < v->n && (w += v->w[low]) < 0.01 * v->total; low++)
        continue;
    for (double w = 0; high > low && (w += v->w[high]) < 0.01 * v->total; high--)
        continue;
    for (int j = 0; j < k; j++) {
        size_t to = from;
        double edge = v->x[low] + (v->x[high] - v->x[low]) * (j + 1) / k;
        double share = v->total * (j + 1) / k;
        while (to < v->n && (j == k - 1 || (by_count ? below < share : v->x[to] < edge)))
            below += v->w[to++];
        component_of_slice(v, from, to, all, m, j);
        from = to;
    }
}

/* Component j of the smaller mixture in two halves. */
static void start_split(const struct mixture *smaller, int j, struct mixture *m)
{
    int last = smaller->k;
    *m = *smaller;
    m->k = last + 1;
    m->weight[j] = m->weight[last] = smaller->weight[j] / 2;
    m->mean[j] = smaller->mean[j] - 0.8 * smaller->sd[j];
    m->mean[last] = smaller->mean[j] + 0.8 * smaller->sd[j];
    m->sd[j] = m->sd[last] = 0.6 * smaller->sd[j];
}

void mixture_fit(const struct weighted *v, int k, const struct mixture *smaller,
                 struct mixture *out)
{
    double mean, all = spread(v, &mean);
    struct mixture m;
    *out = (struct mixture){.k = k, .log_likelihood = -INFINITY};
    for (int start = 0; start < (k == 1 ? 1 : 2 + smaller->k); start++) {
        if (start < 2)
            start_slices(v, k, start == 0, all, &m);
        else
            start_split(smaller, start - 2, &m);
        mixture_improve(v, &m, SHORT_RUN);
        if (m.log_likelihood > out->log_likelihood) *out = m;
    }
    mixture_improve(v, out, ITERATIONS_MOST);
}
