/** Colours that are told apart by colour-blind readers, as 0xRRGGBB. */
#ifndef CANTLE_FIGURE_PALETTE_H
#define CANTLE_FIGURE_PALETTE_H

#include <stdint.h>

enum {
    COLOUR_REJECTED = 0x8c8c8c, /**< no colour of the map palette is a grey */
    COLOUR_EMPTY = 0xffffff
};

/** The map palette viridis at t in 0..1 (values outside saturate): lightness rises evenly, and it
 * is read rightly with the common colour deficiencies. By S. van der Walt and N. Smith, 2015,
 * public domain (CC0): https://bids.github.io/colormap/. Chosen over cividis, whose middle is a
 * grey that could be taken for a rejected pixel. */
uint32_t palette_map(double t);

/** 1 if black, 0 if white is the better mark on this colour (luminance by ITU-R BT.709). */
int palette_is_light(uint32_t rgb);

/** Colour of a line or point set: the set of Okabe and Ito, in B. Wong, Nature Methods 8 (2011)
 * 441, without its yellow; index 0 is black, 1.. the others, repeated when exhausted. */
uint32_t palette_series(int index);

#endif
