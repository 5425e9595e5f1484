/** What of an earlier analysis still holds when a recipe has changed: one table. */
#ifndef CANTLE_MAPS_REUSE_H
#define CANTLE_MAPS_REUSE_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

/** Parts that a refit can take from the map file it starts from. */
#define REUSE_PARTS(P)                                                                             \
    P(baseline, "baseline", "where the off-surface part ends, in both segments")                   \
    P(noise, "noise", "that a curve's noise has no memory")                                        \
    P(point, "contact point", "where the search for the contact begins")

enum reuse_part {
#define P(name, words, meaning) REUSE_##name,
    REUSE_PARTS(P)
#undef P
        REUSE_COUNT
};
#define REUSE(part) (1u << REUSE_##part)
#define REUSE_ALL ((1u << REUSE_COUNT) - 1)

/** One row a group of values: begin of their name in the identity (maps/identity.h), what of an
 * earlier analysis holds when they change (+ joins parts), and why. The first row that fits counts;
 * a name that fits none leaves nothing. 'as used' values come from recipe, lever file and volume.
 */
#define REUSE_LIST(R)                                                                              \
    R("program.", 0, "another program may find another baseline")                                  \
    R("deflection_sensitivity as used", 0, "the deflection itself changes")                        \
    R("quadrant_sensitivity as used", 0, "the deflection itself changes")                          \
    R("spring_constant as used", 0, "the deflection of a volume of forces changes")                \
    R("baseline.order", 0, "the baseline itself changes")                                          \
    R("baseline.shortest", REUSE_ALL, "a limit: it decides on flags")                              \
    R("segment as used", REUSE(baseline), "another curve is fitted; both baselines are known")     \
    R("contact.segment", REUSE_ALL, "counts as 'segment as used' where it changes that")           \
    R("contact.noise", REUSE(baseline) | REUSE(point), "the noise is to be looked at anew")        \
    R("contact.drift", REUSE(baseline) | REUSE(point), "the noise is to be looked at anew")        \
    R("drift ", REUSE(baseline) | REUSE(point), "the noise is to be looked at anew")               \
    R("contact.fit_space", REUSE(baseline) | REUSE(point), "noise is searched in one space only")  \
    R("contact.from", REUSE(baseline) | REUSE(noise), "a part of the contact has other minima")    \
    R("contact.to", REUSE(baseline) | REUSE(noise), "a part of the contact has other minima")      \
    R("contact.", REUSE_ALL, "model, shallow half: the same samples off the surface")              \
    R("sample.thickness_from", REUSE(baseline) | REUSE(noise),                                     \
      "contact point and thickness are found together")                                            \
    R("sample.", REUSE_ALL, "the search begins where the contact was")                             \
    R("tip.", REUSE_ALL, "the search begins where the contact was")                                \
    R("refit.", REUSE_ALL, "pixels that the earlier file had copied itself begin from nothing")    \
    R("substrate ", REUSE(baseline) | REUSE(noise),                                                \
      "contact point and thickness are found together")                                            \
    R("calibration.", REUSE_ALL, "counts as the value 'as used' where it changes one")             \
    R("unloading.", REUSE_ALL, "after the fit")                                                    \
    R("depth.", REUSE_ALL, "after the fit")                                                        \
    R("tethers.", REUSE_ALL, "after the fit")                                                      \
    R("lateral.", REUSE_ALL, "after the fit")                                                      \
    R("viscoelastic.", REUSE_ALL, "after the fit")                                                 \
    R("adhesion.", REUSE_ALL, "after the fit")                                                     \
    R("limits.", REUSE_ALL, "after the fit")                                                       \
    R("output.", REUSE_ALL, "after the fit")                                                       \
    R("standard uncertainty", REUSE_ALL, "after the fit")                                          \
    R("* as used", REUSE_ALL, "tip, sample and lever: the search begins where the contact was")

/** Parts (REUSE(...)) that hold between two identities. Text that is no identity leaves nothing. */
unsigned reuse_between(const char *before, const char *now);

/** "baseline, contact point"; "nothing". */
void reuse_words(unsigned parts, char out[64]);

/** What of the volume differs: "volume.grid was ..., now ..."; false if nothing does. */
bool reuse_other_volume(const char *before, const char *now, char *difference, size_t size);

/** The table in Markdown. */
void reuse_manual(FILE *out);

#endif
