#include "base/lanes.h"
#include "volume/attributes.h"
#include "volume/volume_private.h"

#include <float.h>
#include <math.h>

static void type_limits(enum number type, double *low, double *high)
{
    static const double limits[][2] = {
#define N(name, ctype, h5, low, high) {(double)(low), (double)(high)},
        NUMBER_LIST(N)
#undef N
    };
    *low = limits[type][0];
    *high = limits[type][1];
}

static enum status read_limits(struct packing *p, const struct dataset *d, struct report *rep)
{
    enum status st;
    bool there;
    double low = -INFINITY, high = INFINITY, range[2] = {-INFINITY, INFINITY};
    type_limits(d->number, &p->low, &p->high);
    if ((st = attribute_numbers(d->id, "valid_range", range, 2, &there, rep)) != ST_OK ||
        (st = attribute_numbers(d->id, "valid_min", &low, 1, &there, rep)) != ST_OK ||
        (st = attribute_numbers(d->id, "valid_max", &high, 1, &there, rep)) != ST_OK)
        return st;
    p->low = fmax(p->low, fmax(low, range[0]));
    p->high = fmin(p->high, fmin(high, range[1]));
    if (!(p->low < p->high))
        return fail(rep, ST_INPUT, "valid_min is not below valid_max (stored units)");
    return ST_OK;
}

static enum status read_gone(struct packing *p, const struct dataset *d, struct report *rep)
{
    static const char *const names[2] = {"_FillValue", "missing_value"};
    bool there;
    for (int i = 0; i < 2; i++) {
        p->gone[i] = NAN;
        enum status st = attribute_numbers(d->id, names[i], &p->gone[i], 1, &there, rep);
        if (st != ST_OK) return st;
        /* 1e20 in a float64 attribute of float32 samples is meant as the float32 nearest to it */
        if (d->number == NUMBER_float32 && fabs(p->gone[i]) <= FLT_MAX)
            p->gone[i] = (double)(float)p->gone[i];
    }
    return ST_OK;
}

enum status packing_read(struct packing *p, const struct dataset *d, struct unit_scale unit,
                         struct report *rep)
{
    enum status st;
    bool there;
    double scale = 1, offset = 0;
    if ((st = attribute_numbers(d->id, "scale_factor", &scale, 1, &there, rep)) != ST_OK ||
        (st = attribute_numbers(d->id, "add_offset", &offset, 1, &there, rep)) != ST_OK)
        goto done;
    if (!isfinite(scale) || scale == 0.0 || !isfinite(offset)) {
        st = fail(rep, ST_INPUT,
                  "scale_factor %g, add_offset %g: they must be finite and the "
                  "scale_factor not zero",
                  scale, offset);
        goto done;
    }
    p->a = unit.factor * scale;
    p->b = unit.factor * offset + unit.offset;
    if ((st = read_limits(p, d, rep)) == ST_OK) st = read_gone(p, d, rep);
done:
    return st == ST_OK ? st : within(rep, st, "%s: ", d->name);
}

/* One loop a type, so that the compiler can vectorise it. */
#define N(name, ctype, h5, lowest, highest)                                                        \
    LANES_CLONES static size_t decode_##name(const struct packing *p, const void *stored,          \
                                             size_t n, double *si)                                 \
    {                                                                                              \
        const ctype *in = stored;                                                                  \
        const double a = p->a, b = p->b, low = p->low, high = p->high;                             \
        const double gone0 = p->gone[0], gone1 = p->gone[1];                                       \
        size_t clipped = 0;                                                                        \
        for (size_t i = 0; i < n; i++) {                                                           \
            double raw = (double)in[i], value = a * raw + b;                                       \
            bool good = !(raw == gone0) & !(raw == gone1) & (fabs(value) <= DBL_MAX);              \
            clipped += good & ((raw <= low) | (raw >= high));                                      \
            si[i] = good ? value : NAN;                                                            \
        }                                                                                          \
        return clipped;                                                                            \
    }
NUMBER_LIST(N)
#undef N

size_t packing_decode(const struct packing *p, enum number type, const void *stored, size_t n,
                      double *si)
{
    static size_t (*const decoders[NUMBER_COUNT])(const struct packing *, const void *, size_t,
                                                  double *) = {
#define N(name, ctype, h5, low, high) decode_##name,
        NUMBER_LIST(N)
#undef N
    };
    return decoders[type](p, stored, n, si);
}
