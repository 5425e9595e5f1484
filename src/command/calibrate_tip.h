/** Inside of `cantle calibrate tip`: shared by radius or angle and by the area function. */
#ifndef CANTLE_COMMAND_CALIBRATE_TIP_H
#define CANTLE_COMMAND_CALIBRATE_TIP_H

#include "command/calibrate.h"
#include "curve/tip.h"

/** The recipe of the wish, or the defaults; the lever file of the command line serves as the
 * recipe's where that names none. made: there is something to free. Errors: as recipe_load. */
enum status calibrate_tip_recipe(const struct calibrate_wish *w, const struct lever_file *file,
                                 struct recipe *out, bool *made, struct report *rep) MUST_CHECK;

/** What the uncertainty is made of. */
void calibrate_tip_parts(const struct tip_summary *s, struct calibrate_report *r);

struct tip_wear {
    double value, u, u_random, earlier, earlier_u, earlier_u_random; /**< NaN when not stated */
    const char *date; /**< of the earlier one, or "" */
};

/** Same sample and same lever calibration: what both values share cancels, and the scatter remains.
 */
void calibrate_tip_wear(const struct tip_wear *w, struct calibrate_report *r);

/** The area function in place of radius or angle. Errors: as calibrate_tip. */
enum status calibrate_tip_area(struct calibrate_wish *w, struct calibrate_report *r,
                               struct report *rep) MUST_CHECK;

#endif
