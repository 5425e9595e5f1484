/* Slope of a surface from its heights: planes of known tilt, gaps, edges. */
#include "maps/surface.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { NY = 4, NX = 5, N = NY * NX };

/* Uneven distances: a plane's slope does not depend on them. */
static const double y[NY] = {-1, 0.5, 1, 4}, x[NX] = {0, 1, 3, 3.5, 10};

/* h = 7 + a y + b x, tan(slope)^2 = a^2 + b^2 */
static void make_plane(double a, double b, double *height)
{
    for (size_t i = 0; i < NY; i++)
        for (size_t j = 0; j < NX; j++)
            height[i * NX + j] = 7 + a * y[i] + b * x[j];
}

static void assert_near(double got, double want)
{
    if (!(fabs(got - want) <= 1e-13)) fail_msg("got %.17g, want %.17g", got, want);
}

static void a_plane_has_its_angle_everywhere(void **unused)
{
    (void)unused;
    const double degree = acos(-1) / 180, angles[] = {0, 1, 20, 45, 80};
    double height[N], slope[N];
    for (size_t k = 0; k < sizeof angles / sizeof *angles; k++)
        for (int turn = 0; turn < 360; turn += 30) {
            double gradient = tan(angles[k] * degree);
            make_plane(gradient * sin(turn * degree), gradient * cos(turn * degree), height);
            surface_slope(NY, NX, y, x, height, slope);
            for (size_t i = 0; i < N; i++)
                assert_near(slope[i], angles[k] * degree);
        }
}

static void descending_positions_are_fine(void **unused)
{
    (void)unused;
    const double down_y[NY] = {3, 2, 1, 0}, down_x[NX] = {8, 6, 4, 2, 0};
    double height[N], slope[N];
    for (size_t i = 0; i < N; i++)
        height[i] = 0.3 * down_y[i / NX] - 0.4 * down_x[i % NX];
    surface_slope(NY, NX, down_y, down_x, height, slope);
    for (size_t i = 0; i < N; i++)
        assert_near(slope[i], atan(0.5));
}

/* A plane with a hole keeps its angle, by the neighbours that are left; (0,2) has none along y. */
static void gaps_are_left_out(void **unused)
{
    (void)unused;
    double height[N], slope[N];
    make_plane(0.3, 0.4, height);
    height[1 * NX + 2] = NAN;
    surface_slope(NY, NX, y, x, height, slope);
    for (size_t i = 0; i < N; i++) {
        if (i == 1 * NX + 2 || i == 2)
            assert_true(isnan(slope[i]));
        else
            assert_near(slope[i], atan(0.5));
    }
}

static void no_neighbour_along_an_axis_is_not_known(void **unused)
{
    (void)unused;
    double height[N], slope[N];
    make_plane(0.3, 0.4, height);
    height[1 * NX + 1] = height[1 * NX + 3] = NAN; /* both sides of (1,2) */
    height[1 * NX + 0] = NAN;
    height[1] = NAN; /* with it (0,0) has none along x, and none along y */
    surface_slope(NY, NX, y, x, height, slope);
    assert_true(isnan(slope[1 * NX + 2]));
    assert_true(isnan(slope[0]));
    assert_near(slope[2 * NX + 2], atan(0.5)); /* above it a usable one */
}

/* Central differences: a step of 1 between columns 1 and 2 of even distance 1. */
static void a_step_is_shared_by_its_two_sides(void **unused)
{
    (void)unused;
    const double even[4] = {0, 1, 2, 3}, rows[2] = {0, 1};
    const double height[8] = {0, 0, 1, 1, 0, 0, 1, 1}, want[4] = {0, atan(0.5), atan(0.5), 0};
    double slope[8];
    surface_slope(2, 4, rows, even, height, slope);
    for (size_t i = 0; i < 8; i++)
        assert_near(slope[i], want[i % 4]);
}

static void a_line_knows_its_own_direction(void **unused)
{
    (void)unused;
    const double one[1] = {0}, height[NX] = {0, 0.5, 1.5, 1.75, 5};
    double slope[NX];
    surface_slope(1, NX, one, x, height, slope);
    for (size_t i = 0; i < NX; i++)
        assert_near(slope[i], atan(0.5));
    surface_slope(NX, 1, x, one, height, slope);
    for (size_t i = 0; i < NX; i++)
        assert_near(slope[i], atan(0.5));
    surface_slope(1, 1, one, one, height, slope);
    assert_true(isnan(slope[0]));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_plane_has_its_angle_everywhere),
        cmocka_unit_test(descending_positions_are_fine),
        cmocka_unit_test(gaps_are_left_out),
        cmocka_unit_test(no_neighbour_along_an_axis_is_not_known),
        cmocka_unit_test(a_step_is_shared_by_its_two_sides),
        cmocka_unit_test(a_line_knows_its_own_direction),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
