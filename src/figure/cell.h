/** One map of a figure, measured: how large, which ticks, which words. Points are 1/72 inch. */
#ifndef CANTLE_FIGURE_CELL_H
#define CANTLE_FIGURE_CELL_H

#include "figure/raster.h"
#include "figure/scale.h"
#include "figure/text.h"
#include "figure/ticks.h"

#define CELL_LEFT_PT 48.0  /**< room for y ticks and label */
#define CELL_BELOW_PT 34.0 /**< room for x ticks and label */
#define CELL_BAR_GAP_PT 13.0
#define CELL_BAR_PT 10.0
#define CELL_HISTOGRAM_PT 58.0
#define CELL_PAD_PT 10.0
#define CELL_TITLE_PT 10.0 /**< size of letters */
#define CELL_LEGEND_PT 8.0

/** Image, colour bar and histogram, title above, legend below. */
struct cell {
    const struct figure_map *map; /**< borrowed */
    size_t index;                 /**< its data files carry this number */
    struct value_scale scale;
    struct raster_axis x, y;                      /**< owned */
    struct ticks ticks;                           /**< of the colour axis, in the figure's unit */
    double image_width, image_height, box_height; /**< box: the higher of image and colour bar */
    double label_left; /**< from the histogram's right edge to the axis label */
    double width;      /**< that it needs, ticks and labels included */
    bool dots;         /**< pixels are large enough for dots */
    char label[512];   /**< words (unit) */
    struct text_lines title, legend;
};

/** Look at the values and choose sizes; the texts are still empty. Errors: ST_MEMORY. */
enum status cell_make(struct cell *c, const struct figure_map *map, size_t index,
                      struct report *rep) MUST_CHECK;

/** Break title and legend for the width that the cell gets in the grid. */
void cell_words(struct cell *c, double width_pt);

void cell_free(struct cell *c);

#endif
