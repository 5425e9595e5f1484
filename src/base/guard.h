/** The last words of a program that a file has brought down. HDF5 does not survive every file that
 * is damaged or made to do harm; then it is said which file it was, in one line, with the exit
 * status of a bad input. This is no wall: what a file did to memory before it crashed the library
 * is not known.
 */
#ifndef CANTLE_BASE_GUARD_H
#define CANTLE_BASE_GUARD_H

/** From here on a crash is put down to this file; NULL: to the program itself. The text is copied.
 */
void guard_file(const char *path);

/** Take over SIGSEGV, SIGBUS, SIGFPE, SIGILL and SIGABRT: one line on stderr, then the process ends
 *  with the exit status of ST_INPUT or ST_BUG. Called once, by main, after MPI_Init. Does nothing
 * in a build with AddressSanitizer, whose report tells more. */
void guard_install(void);

#endif
