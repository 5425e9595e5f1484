/** Private to volume_join*.c: the parts, and what is found in them. */
#ifndef CANTLE_VOLUME_VOLUME_JOIN_PRIVATE_H
#define CANTLE_VOLUME_VOLUME_JOIN_PRIVATE_H

#include "volume/skeleton.h"
#include "volume/volume_join.h"
#include "volume/volume_private.h"

enum { OPEN_AT_ONCE = 8, LEAVES = 3 };
enum { LEAF_signal, LEAF_z, LEAF_lateral };

/** What all views of a joined volume share. */
struct parts {
    const struct join_wish *wish;
    size_t *first; /**< [n + 1] first row (column) of each part */
    struct {
        size_t part;
        struct volume *v;
        uint64_t used;
    } open[OPEN_AT_ONCE];
    uint64_t clock;
    int users;
};

/** The part as an open volume; the one not used for longest makes room. Errors: of opening. */
enum status parts_at(struct parts *p, size_t part, struct volume **out,
                     struct report *rep) MUST_CHECK;
/** One user less; the last one closes and frees. */
void parts_drop(struct parts *p);

/** The dataset of a leaf. */
const struct samples *join_leaf(const struct volume *v, enum segment_id id, int leaf);

/** A view that reads a leaf across all parts; it is a further user of them. ramp: the ramps of the
 * parts differ, so each curve gets that of its part. NULL without memory. */
struct view *join_view_new(struct parts *parts, enum segment_id id, int leaf, bool ramp);

/** Numbers of all pixels, filled part by part. */
struct gathered {
    double *present, *z_offset, *thickness, *substrate;
    double *length[SEG_COUNT], *start[SEG_COUNT], *step[SEG_COUNT];
};

struct joining {
    const struct join_wish *wish;
    struct parts *parts;
    struct volume *model; /**< the first part */
    size_t ny, nx, longest[SEG_COUNT];
    bool ramps_differ[SEG_COUNT], lengths[SEG_COUNT];
    bool absent, z_offset, thickness, substrate, steps_differ[SEG_COUNT];
    double *along_m; /**< positions along the join */
    struct gathered all;
    struct skeleton *sk;
};

/** All that the joined volume says, into j->sk. Errors: of the skeleton. */
enum status join_skeleton_fill(struct joining *j, struct report *rep) MUST_CHECK;

#endif
