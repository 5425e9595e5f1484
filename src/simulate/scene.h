/** Simulated force volumes with known truth: scenes of our own invention. A pixel depends on the
 * seed and its place alone, so the file does not depend on the order of work. */
#ifndef CANTLE_SIMULATE_SCENE_H
#define CANTLE_SIMULATE_SCENE_H

#include "contact/contact.h"
#include "volume/volume_write.h"

#include <stdint.h>

/** What can be asked for. NaN, 0 or NULL: the scene's own value. */
struct scene_options {
    size_t columns, rows, samples;
    uint64_t seed;
    double noise_m; /**< rms noise of the deflection */
    int type;       /**< enum number of the samples, -1: the scene's own */
    enum storage storage;
    const char *model; /**< uniform only, as all that follow */
    double modulus_pa, work_j_per_m2, radius_m, half_angle_rad, face_angle_rad, spring_n_per_m,
        poisson_ratio, peak_force_n;
    size_t tip_change_row; /**< from this row on the tip is another one; 0 = never */
    double tip_radius_factor,
        tip_adhesion_factor, /**< NaN: 1.5 and 1; of radius and work of adhesion */
        tip_height_m;        /**< NaN: 0; the apex is longer by it, so that all looks taller */
};

/** One row a scene: name, summary for the help. */
struct scene_kind;
int scene_count(void);
const char *scene_name(int index);
const char *scene_summary(int index);

/** A scene with its numbers settled. */
struct scene;

/** Errors: ST_USAGE for an unknown scene or an option that does not fit it. */
enum status scene_new(struct scene **out, const char *name, const struct scene_options *options,
                      struct report *rep) MUST_CHECK;
void scene_free(struct scene *s); /**< accepts NULL */

/** The file's layout, for volume_write_begin. */
const struct volume_layout *scene_layout(const struct scene *s);

/** What is true at one pixel; NaN where there is no curve or no contact. */
struct scene_truth {
    bool present, touches, clean; /**< clean: not on the bad scan line */
    double hardness_pa,           /**< NaN where it is elastic */
        modulus_pa, reduced_modulus_pa, adhesion_n, work_j_per_m2, contact_height_m,
        indentation_m, /**< of the approach, at its end */
        z_end_m,       /**< where the approach ends */
        exponent;      /**< of the power law of a sample that relaxes, else NaN; its modulus is that
                            at 1 s */
};

/** One pixel's curves in volts in the order of time, approach and retract [n], dwell
 * [layout.dwell], and its truth. */
void scene_curve(struct scene *s, size_t row, size_t col, double *approach_v, double *dwell_v,
                 double *retract_v, struct scene_truth *truth);

/** Write the whole volume with its truth. */
enum status scene_write(struct scene *s, const char *path, bool overwrite,
                        struct report *rep) MUST_CHECK;

#endif
