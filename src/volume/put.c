#include "volume/put.h"

#include <string.h>

bool put_text(hid_t object, const char *name, const char *text)
{
    hid_t type = H5Tcopy(H5T_C_S1), space = H5Screate(H5S_SCALAR), attribute = H5I_INVALID_HID;
    if (type >= 0 && space >= 0 && H5Tset_size(type, strlen(text) + 1) >= 0 &&
        H5Tset_cset(type, H5T_CSET_UTF8) >= 0)
        attribute = H5Acreate2(object, name, type, space, H5P_DEFAULT, H5P_DEFAULT);
    bool good = attribute >= 0 && H5Awrite(attribute, type, text) >= 0;
    if (attribute >= 0) H5Aclose(attribute);
    if (space >= 0) H5Sclose(space);
    if (type >= 0) H5Tclose(type);
    return good;
}

bool put_number(hid_t object, const char *name, double value)
{
    hid_t space = H5Screate(H5S_SCALAR);
    hid_t attribute = H5Acreate2(object, name, H5T_IEEE_F64LE, space, H5P_DEFAULT, H5P_DEFAULT);
    bool good = attribute >= 0 && H5Awrite(attribute, H5T_NATIVE_DOUBLE, &value) >= 0;
    if (attribute >= 0) H5Aclose(attribute);
    if (space >= 0) H5Sclose(space);
    return good;
}

bool put_spring_notes(hid_t dataset, const struct lever *lever)
{
    static const char *const names[] = {"tilt", "correlation", "method"};
    bool good = true;
    for (size_t i = 0; i < sizeof names / sizeof *names && good; i++)
        good = H5Aexists(dataset, names[i]) <= 0 || H5Adelete(dataset, names[i]) >= 0;
    if (good && lever->spring_tilt != SPRING_TILT_UNKNOWN)
        good = put_text(dataset, "tilt", spring_tilt_words[lever->spring_tilt]);
    if (good && lever->correlation != 0)
        good = put_number(dataset, "correlation", lever->correlation);
    if (good && lever->spring_thermal) good = put_text(dataset, "method", "thermal");
    return good;
}

hid_t put_dataset(hid_t file, const char *name, hid_t type, int rank, const hsize_t *dims,
                  hid_t how)
{
    hid_t links = H5Pcreate(H5P_LINK_CREATE), set = H5I_INVALID_HID;
    hid_t space = rank ? H5Screate_simple(rank, dims, NULL) : H5Screate(H5S_SCALAR);
    if (links >= 0 && space >= 0 && H5Pset_create_intermediate_group(links, 1) >= 0)
        set = H5Dcreate2(file, name, type, space, links, how, H5P_DEFAULT);
    if (links >= 0) H5Pclose(links);
    if (space >= 0) H5Sclose(space);
    return set;
}

bool put_values(hid_t file, const char *name, int rank, const hsize_t *dims, const double *values,
                const char *unit, double u)
{
    hid_t set = put_dataset(file, name, H5T_IEEE_F64LE, rank, dims, H5P_DEFAULT);
    bool good = set >= 0 &&
                H5Dwrite(set, H5T_NATIVE_DOUBLE, H5S_ALL, H5S_ALL, H5P_DEFAULT, values) >= 0 &&
                put_text(set, "units", unit) &&
                (!(u >= 0) || put_number(set, "standard_uncertainty", u));
    if (set >= 0 && H5Dclose(set) < 0) good = false;
    return good;
}
