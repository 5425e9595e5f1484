#include "figure/palette.h"

#include <math.h>
#include <stddef.h>

/* Each third of 64 equally spaced colours; linear in between is within one level of the original.
 */
static const uint8_t viridis[][3] = {
    {68, 1, 84},    {71, 18, 101},  {72, 34, 115},  {70, 49, 126},  {66, 64, 133},  {60, 77, 138},
    {54, 90, 140},  {49, 102, 141}, {44, 114, 142}, {39, 125, 142}, {35, 137, 141}, {31, 148, 139},
    {30, 159, 136}, {36, 170, 130}, {50, 181, 122}, {69, 191, 111}, {94, 201, 97},  {121, 209, 81},
    {151, 216, 62}, {183, 221, 41}, {215, 226, 25}, {246, 230, 31}};

uint32_t palette_map(double t)
{
    const size_t last = sizeof viridis / sizeof *viridis - 1;
    double at = fmin(fmax(t, 0.0), 1.0) * (double)last;
    size_t i = (size_t)at < last ? (size_t)at : last - 1;
    uint32_t rgb = 0;
    for (int c = 0; c < 3; c++) {
        double level = viridis[i][c] + (at - (double)i) * (viridis[i + 1][c] - viridis[i][c]);
        rgb = rgb << 8 | (uint32_t)lround(level);
    }
    return rgb;
}

int palette_is_light(uint32_t rgb)
{
    return 0.2126 * (rgb >> 16 & 255) + 0.7152 * (rgb >> 8 & 255) + 0.0722 * (rgb & 255) > 110;
}

uint32_t palette_series(int index)
{
    static const uint32_t set[] = {0x000000, 0x0072b2, 0xd55e00, 0x009e73,
                                   0xcc79a7, 0xe69f00, 0x56b4e9};
    return set[(size_t)(index < 0 ? 0 : index) % (sizeof set / sizeof *set)];
}
