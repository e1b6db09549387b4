"""A stdint.h as on a machine whose char has 16 bits, for compilers whose char has 8.

C99 7.18.1.1 makes types of exactly 8 bits optional, 7.18.1.2 those of at least 8 bits not: such a
machine lacks ``uint8_t``, and its ``uint_least8_t`` is the unsigned char of 16 bits.
"""

from __future__ import annotations

NAME = "stdint.h"
FLAGS = ("-I.",)
"""For the compiler, so that it takes the ``NAME`` beside the sources before its own."""

STDINT = """\
#ifndef WIDE_CHAR_STDINT_H
#define WIDE_CHAR_STDINT_H
typedef __INT16_TYPE__ int16_t;
typedef __UINT16_TYPE__ uint16_t;
typedef __INT32_TYPE__ int32_t;
typedef __UINT32_TYPE__ uint32_t;
typedef __INT64_TYPE__ int64_t;
typedef __UINT64_TYPE__ uint64_t;
typedef __UINTPTR_TYPE__ uintptr_t;
typedef uint16_t uint_least8_t;
typedef unsigned int uint_fast16_t;
#if __SIZEOF_INT__ == 2
#define UINT16_C(c) c ## U
#define INT32_C(c) c ## L
#define UINT32_C(c) c ## UL
#else
#define UINT16_C(c) c
#define INT32_C(c) c
#define UINT32_C(c) c ## U
#endif
#define INT16_C(c) c
#define UINT16_MAX UINT16_C(65535)
#define INT32_MAX INT32_C(2147483647)
#define UINT32_MAX UINT32_C(4294967295)
#endif
"""


def with_wide_char(files: dict[str, str]) -> dict[str, str]:
    """The files with the header beside them."""
    return {**files, NAME: STDINT}
