/** Contact models: mechanics of an elastic sample under a tip, and of the lever that presses it.
 *
 *  Every model is written with a length l and a force scale P of its own:
 *      F(delta) = P f(u; extra),   u = delta / l.
 *  A lever of spring constant k that was driven by x = Z - Z0 beyond the contact point carries
 *      k d = F(x - d), so with t = x / l, y = d / l and kappa = P / (k l):   y = kappa f(t - y).
 *  y(t; kappa) is the model's curve in the space where the noise is. The engine searches ln l, or
 *  ln kappa, or both, as the record says, and a further number (`extra`) where a model has one; the
 *  record turns them into E* and w. */
#ifndef CANTLE_CONTACT_CONTACT_H
#define CANTLE_CONTACT_CONTACT_H

#include "calibration/lever.h"
#include "contact/layer.h"

#include <stdbool.h>
#include <stddef.h>

/** What a model must know beside the sample. All SI; NaN where not known. */
struct contact_setup {
    double spring_n_per_m;   /**< k, effective */
    double radius_m;         /**< R */
    double half_angle_rad;   /**< cone: axis to side */
    double face_angle_rad;   /**< pyramid: axis to middle of a face */
    double profile_exponent; /**< n of the profile R (r/R)^n / n */
    double cap_radius_m;     /**< b: where a blunted tip's cap meets its side; NaN = smooth joint */
    double thickness_m;      /**< h of a layer on a rigid base */
    double transition;       /**< Maugis' lambda when it is fixed; NaN = searched */
    bool sliding_base;       /**< the layer slides on its base; else it is bonded */
    double poisson_ratio;    /**< of the sample, for the layer models */
    double brush_density_per_m2; /**< Gamma: chains of a brush for each area */
    struct layer *layer;         /**< universal function of the layer, made by contact_prepare */
};

/** What the sample is. */
struct contact_sample {
    double reduced_modulus_pa; /**< E* */
    double work_j_per_m2;      /**< w; NaN without adhesion */
    double extra;              /**< the model's further number (ln lambda), else 0 */
};

/** A model's problem in reduced form. */
struct contact_shape {
    const struct contact_setup *setup;
    double kappa, extra;
};

/** Columns over n samples that force() and lever() fill. */
struct contact_columns {
    double *value;      /**< f or y */
    double *slope;      /**< by u or t */
    double *by_lnkappa; /**< lever(): dy / d ln kappa; filled by models that search kappa */
    double *by_extra;   /**< by extra, at constant l and P; filled by models that have one */
};

/** State of a contact at one indentation. */
struct contact_state {
    double force_n;           /**< F, positive = repulsive */
    double stiffness_n_per_m; /**< dF/d delta */
    double contact_radius_m;  /**< a; for a pyramid that of its mean profile */
};

/** Where an adhesive branch begins. */
struct contact_branch_end {
    double t, by_lnkappa, by_extra; /**< reduced displacement and its derivatives */
};

enum contact_segment { SEGMENT_APPROACH = 1, SEGMENT_RETRACT = 2 };

#define NEEDS(item) (1u << LEVER_##item)

struct contact_model {
    const char *name;    /**< as written in a recipe */
    const char *title;   /**< for people */
    const char *formula; /**< plain text */
    const char *source;  /**< author, journal, year */
    const char *limits;  /**< one sentence */
    unsigned needs;      /**< tip and sample values it needs: NEEDS(tip_radius) | ... */
    unsigned may_use;    /**< values it uses when they are there */
    unsigned segments;   /**< bit set of enum contact_segment; the lowest bit is the natural one */
    bool adhesive;       /**< gives a work of adhesion */
    bool paraboloid;     /**< its profile is a paraboloid: depth over radius limits it */
    bool kink;          /**< force begins with a finite slope: the sum of squares has a kink at each
                             sample, so neighbouring minima must be looked at */
    bool free_length;   /**< ln l is searched (else l = fixed_length) */
    bool free_kappa;    /**< ln kappa is searched (else kappa = 1) */
    bool has_extra;     /**< a further number is searched, unless the setup fixes it */
    bool length_at_end; /**< adhesive: l shows only in where the curve ends, see branch_end, and is
                           read off there; fixed_length is one that no curve reaches */
    bool pull;          /**< in contact a constant pull, linear unknown, is added (DMT) */
    bool layer_exact;   /**< layer model that needs setup->layer */
    bool bonded_only;   /**< layer model of a bonded base only */
    enum layer_shape layer_shape; /**< layer models: the tip */
    double layer_limit;           /**< layer models: chi up to which the result can be trusted */
    const struct contact_model *bare; /**< adhesive: the tip without adhesion; NULL = paraboloid */
    double end_share; /**< adhesive: force at the end of the branch at fixed displacement over the
                           pull-off force; 0 = 5/9, as of a jkr sphere */
    double modulus_power[2]; /**< d ln E* / d ln l, d ln E* / d ln kappa at given k */
    double work_power[2]; /**< d ln w / d ln l, d ln w / d ln kappa; 0 when w comes from the pull */

    /** f(u) over n reduced indentations; 0 out of contact. Arrays must not overlap. */
    void (*force)(const struct contact_shape *s, const double *u, size_t n,
                  struct contact_columns *out);
    /** y(t) over n reduced displacements. Where an adhesive contact has already come off (t before
     * the stable branch) the branch's end is given with zero derivatives. Quickest for ascending t.
     */
    void (*lever)(const struct contact_shape *s, const double *t, size_t n,
                  struct contact_columns *out);
    /** Adhesive models with an extra number or length_at_end: where the stable branch begins, the
     * smallest t that lever() does not hold; kappa = 0: the smallest u that force() does not. NULL
     * for others. */
    void (*branch_end)(const struct contact_shape *s, struct contact_branch_end *out);
    /** Length that is not searched, metres (NULL when free_length). */
    double (*fixed_length)(const struct contact_setup *s);
    /** The sample (E*, w) from l, kappa and the pull in N; out->extra is left alone. */
    void (*physics)(const struct contact_setup *s, double length_m, double kappa, double pull_n,
                    struct contact_sample *out);
    /** The inverse of it. */
    void (*scales)(const struct contact_setup *s, const struct contact_sample *sample,
                   double *length_m, double *kappa, double *pull_n);
    /** Start values: l and kappa for which the lever carries deflection d at displacement x past
     * the contact point, for a pull-off that bends it by pull_m (0 without adhesion). x > d > 0. */
    void (*match)(const struct contact_setup *s, double x_m, double deflection_m, double pull_m,
                  double *length_m, double *kappa);
    /** Force, stiffness and contact radius at an indentation (stable branch). Zero out of contact.
     */
    void (*state)(const struct contact_setup *s, const struct contact_sample *sample,
                  double indentation_m, struct contact_state *out);
    /** Layer models: chi of layer.h at an indentation. NULL for models of a half-space. */
    double (*layer_ratio)(const struct contact_setup *s, double depth_m);
    /** Smallest and largest `extra` to search, and where to begin (NULL without extra). */
    const double *extra_range;
};

/** The models, in the order of help and docs. A new one: a record in a file of this folder, a word
 *  here. */
#define CONTACT_MODELS(M)                                                                          \
    M(paraboloid)                                                                                  \
    M(cone)                                                                                        \
    M(pyramid)                                                                                     \
    M(flat_punch)                                                                                  \
    M(dmt)                                                                                         \
    M(jkr)                                                                                         \
    M(sphere)                                                                                      \
    M(power_profile)                                                                               \
    M(blunted_cone)                                                                                \
    M(blunted_pyramid)                                                                             \
    M(maugis)                                                                                      \
    M(carpick)                                                                                     \
    M(layer_sphere)                                                                                \
    M(layer_cone)                                                                                  \
    M(layer_punch)                                                                                 \
    M(layer_sphere_dimitriadis)                                                                    \
    M(layer_sphere_garcia)                                                                         \
    M(layer_cone_garcia)                                                                           \
    M(layer_cone_gavara)                                                                           \
    M(brush)                                                                                       \
    M(hyperboloid)                                                                                 \
    M(adhesive_cone)                                                                               \
    M(adhesive_punch)

enum contact_id {
#define M(name) CONTACT_##name,
    CONTACT_MODELS(M)
#undef M
        CONTACT_COUNT
};

#define M(name) extern const struct contact_model contact_##name;
CONTACT_MODELS(M)
#undef M

/** The record at an index of enum contact_id. */
const struct contact_model *contact_at(int index);
/** By name; NULL if there is none. */
const struct contact_model *contact_find(const char *name);
/** Names, blank-separated: "paraboloid cone ...". */
const char *contact_names(void);

/** Make what the model's functions need beside numbers: setup->layer of the exact layer models
 * (some milliseconds; of base and Poisson's ratio alone, so thickness may change afterwards). The
 * setup owns it from then on: contact_release. Errors: ST_RECIPE for a base that the model does not
 *  describe, ST_MEMORY; then setup->layer is NULL. */
enum status contact_prepare(const struct contact_model *m, struct contact_setup *setup,
                            struct report *rep) MUST_CHECK;
/** Whether contact_prepare has nothing left to make or to refuse: setup->layer is there, where it
 * is needed, and belongs to base and Poisson's ratio. */
bool contact_is_prepared(const struct contact_model *m, const struct contact_setup *setup);
void contact_release(struct contact_setup *setup);

/** Deflection of the lever at displacement x beyond the contact point (metres); the forward model
 * of the simulator and of figures. x in any order, [n]. Zero (free lever) where there is no
 * contact: before contact, and for an adhesive model beyond its pull-off. */
void contact_deflection(const struct contact_model *m, const struct contact_setup *s,
                        const struct contact_sample *sample, const double *x_m, size_t n,
                        double *deflection_m);

#endif
