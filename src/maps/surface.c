#include "maps/surface.h"

#include <math.h>
#include <stdbool.h>

/* Along one axis at index i of n; `height` is the pixel's own, its neighbours are `stride` apart.
 */
static double gradient(const double *position, size_t i, size_t n, const double *height,
                       size_t stride)
{
    size_t before = i, after = i;
    if (n == 1) return 0;
    if (i > 0 && !isnan(*(height - stride))) before--;
    if (i + 1 < n && !isnan(height[stride])) after++;
    if (before == after) return NAN;
    return (height[(after - i) * stride] - *(height - (i - before) * stride)) /
           (position[after] - position[before]);
}

void surface_slope(size_t ny, size_t nx, const double *y, const double *x, const double *height,
                   double *slope_rad)
{
    for (size_t i = 0; i < ny; i++)
        for (size_t j = 0; j < nx; j++) {
            const double *here = height + i * nx + j;
            double along_y = gradient(y, i, ny, here, nx), along_x = gradient(x, j, nx, here, 1);
            bool known = !isnan(*here) && ny * nx > 1;
            slope_rad[i * nx + j] = known ? atan(hypot(along_y, along_x)) : (double)NAN;
        }
}
