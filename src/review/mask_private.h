/** Inside of struct mask, shared by its reader and its use. */
#ifndef CANTLE_REVIEW_MASK_PRIVATE_H
#define CANTLE_REVIEW_MASK_PRIVATE_H

#include "review/mask.h"

#include <stdbool.h>

enum mask_kind {
    MASK_AND,
    MASK_OR,
    MASK_NOT,
    MASK_COMPARE,   /**< map, error, order, number */
    MASK_KNOWN,     /**< map, error */
    MASK_FLAG,      /**< which */
    MASK_STATE,     /**< which */
    MASK_RECTANGLE, /**< two corners */
    MASK_POLYGON,   /**< corners */
    MASK_DATASET,   /**< which; number, or not 0 */
    MASK_LARGEST,   /**< of a */
    MASK_REGIONS    /**< of a; number: area in m2, or pixels */
};

enum mask_order { ORDER_LESS, ORDER_LESS_EQUAL, ORDER_GREATER, ORDER_GREATER_EQUAL };

/** One step; a and b are what it is made of. */
struct mask_node {
    enum mask_kind kind;
    struct mask_node *a, *b; /**< owned */
    size_t place;            /**< of its first byte in the text */
    int map, which;
    bool error, has_number, in_pixels;
    enum mask_order order;
    double number;
    double *corner; /**< [2*n_corners] x, y in m; owned */
    size_t n_corners;
};

struct mask {
    char *text;
    struct mask_node *root;
    struct mask_source *source; /**< [n_sources] */
    size_t n_sources;
};

/** Put the place in the text in front of the stored message. @return st */
enum status mask_at(struct report *rep, enum status st, const char *text, size_t place) MUST_CHECK;

#endif
