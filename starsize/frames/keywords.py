"""Header keywords in use, in the order in which they are believed.

The FITS standard 4.0 (2018) reserves DATE-OBS, DATE-BEG, DATE-AVG, MJD-OBS, MJD-BEG, MJD-AVG,
TIMESYS, XPOSURE and DATAMAX; it does not reserve EXPTIME, EXPOSURE, FILTER, GAIN or any keyword
of focus. These are common practice: the focus spellings were collected from public headers, a few
others are from memory. Names longer than eight letters are HIERARCH keywords.
"""

from typing import Final

#: Hold a focuser position in steps; whole or fractional, text or number.
POSITION_STEPS: Final = ("FOCUSPOS", "FOCPOS", "FOCPOSN", "FOC-POS", "FOCSTEP")
#: May hold steps, millimetres, metres or the focuser's name: only what looks like steps counts.
POSITION_LOOSE: Final = ("FOCUS", "FOCUSER", "TELFOCUS", "FOCDMD", "ALFOCUS", "ESO TEL FOCU VALUE")
#: Always a length: never a position, but worth a word to the person.
POSITION_LENGTH: Final = ("FOC-VAL",)
#: Temperature at the focuser or of the tube (not of the sensor).
FOCUSER_TEMPERATURE: Final = (
    "FOCTEMP", "FOCUSTEM", "FOCUSTMP", "FOC-TEMP", "ESO INS FOCU2 TEMP", "MSURTEMP", "LWTRTEMP",
    "UPTRTEMP",
)  # fmt: skip
AMBIENT_TEMPERATURE: Final = (
    "AMBTEMP", "AMB-TEMP", "AMB_TEMP", "AIRTEMP", "OUTTEMP", "ESO TEL AMBI TEMP", "MAIRTEMP",
)  # fmt: skip
#: Where the telescope points, degrees above the horizon; else the airmass says it.
ALTITUDE_DEG: Final = ("OBJCTALT", "CENTALT", "TELALT", "ESO TEL ALT")
AIRMASS: Final = ("AIRMASS", "ESO TEL AIRM START")
FILTER: Final = ("FILTER", "FILTNAME", "ESO INS FILT1 NAME")
#: Two wheels in series: the one that does not stand open counts.
FILTER_WHEELS: Final = ("FILTER1", "FILTER2", "FILTER3")
FILTER_LAST: Final = ("FWHEEL",)
EXPOSURE: Final = ("EXPTIME", "EXPOSURE", "XPOSURE", "EXP_TIME", "EXP-TIME", "ITIME")
TIME_MIDDLE: Final = ("DATE-AVG",)
TIME_MIDDLE_MJD: Final = ("MJD-AVG",)
TIME_START: Final = ("DATE-OBS", "DATE-BEG", "DATE_OBS")
TIME_START_MJD: Final = ("MJD-OBS", "MJD-BEG")
#: Time of day, for writers that put only the day into DATE-OBS.
TIME_OF_DAY: Final = ("TIME-OBS", "UT", "UTC", "UTSTART", "UTC-OBS", "TIME-BEG")
KIND: Final = ("IMAGETYP", "IMAGETYPE", "FRAME", "FRAMETYP", "OBSTYPE", "IMGTYPE", "ESO DPR TYPE")
PIXEL_UM: Final = ("XPIXSZ", "PIXSIZE1", "PIXSIZE", "PIXSZ")
BINNING: Final = ("XBINNING", "BINX", "CCDXBIN", "XBIN")
FOCAL_LENGTH_MM: Final = ("FOCALLEN", "FOCLEN", "FOCAL")
APERTURE_MM: Final = ("APTDIA",)
FOCAL_RATIO: Final = ("FOCRATIO", "FRATIO")
#: Electrons per count.
GAIN_E: Final = ("EGAIN",)
#: Electrons per count only if the comment says so: many cameras write a unitless setting here.
GAIN_LOOSE: Final = ("GAIN",)
READ_NOISE: Final = ("RDNOISE", "READNOIS", "READNOI", "RON", "RDNOISE1")
SATURATION: Final = ("SATURATE", "SATLEVEL", "SATURAT", "ESO DET SATLEVEL")
STEP_UM: Final = ("FOCUSSZ", "FOCUSSSZ", "FOCSTPSZ")
BAYER: Final = ("BAYERPAT", "BAYRPAT", "CFAPAT", "CFA-PAT")
BAYER_X: Final = ("XBAYROFF", "BAYOFFX")
BAYER_Y: Final = ("YBAYROFF", "BAYOFFY")
ROW_ORDER: Final = ("ROWORDER",)
