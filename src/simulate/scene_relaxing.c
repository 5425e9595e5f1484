/* A sample that relaxes: one cycle of approach, dwell and retract by Ting's solution. */
#include "simulate/scene_private.h"

#include <math.h>
#include <string.h>

/* Piezo displacement over the cycle, 0 at its highest. */
static struct ting_path cycle_path(const struct scene *s, double *z)
{
    const struct volume_layout *l = &s->layout;
    size_t n = l->n, leave = n + l->dwell;
    double step = l->ramp_m / (double)(n - 1), h = l->sample_interval_s;
    for (size_t i = 0; i < n; i++) {
        z[i] = ((double)i - (double)(n - 1)) * step;
        z[leave + i] = -(double)i * step;
    }
    for (size_t i = 0; i < l->dwell; i++)
        z[n + i] = 0;
    struct ting_path path = {.n = leave + n, .z_m = z, .parts = 2, .withdraws = true};
    path.step_s[0] = path.step_s[1] = path.step_s[2] = path.gap_s[1] = path.gap_s[2] = h;
    path.first[1] = n;
    if (l->dwell) path.parts = 3, path.first[2] = leave;
    return path;
}

void scene_relaxing_cycle(struct scene *s, const struct scene_place *p, double *deflection_m,
                          double *x_end)
{
    struct contact_sample one = {1.0 / (1.0 - s->poisson_ratio * s->poisson_ratio), 0, 0};
    struct contact_state state;
    struct ting_solid solid = {
        .law = TING_POWER_LAW, .modulus = p->modulus_pa, .exponent = p->exponent, .reference = 1.0};
    struct ting_end end;
    double k = s->setup.spring_n_per_m, *z = deflection_m + 2 * s->layout.n + s->layout.dwell;
    struct ting_path path = cycle_path(s, z), approach = path;
    s->approach->state(&s->setup, &one, 1.0, &state);
    struct ting_tip tip = {1.5, state.force_n, 1.0 / k};
    /* how far beyond first contact the setpoint is met: force grows with it */
    double low = 0, high = s->layout.ramp_m;
    approach.n = s->layout.n;
    approach.parts = 1;
    approach.withdraws = false;
    for (int i = 0; i < 45; i++) {
        double mid = 0.5 * (low + high);
        ting_force(&solid, &tip, &approach, -mid, s->ting, deflection_m, NULL, &end);
        if (deflection_m[s->layout.n - 1] < s->peak_force_n)
            low = mid;
        else
            high = mid;
    }
    *x_end = 0.5 * (low + high);
    ting_force(&solid, &tip, &path, -*x_end, s->ting, deflection_m, NULL, &end);
    for (size_t i = 0; i < path.n; i++)
        deflection_m[i] /= k;
}
