"""What every report and page must say, whatever the verdict."""

__all__ = ["CAUTIONS"]

# Light: IEC 60825-2 and common safety practice. Solvent: isopropanol is flammable class IB with a
# flash point of 12 degC (NIOSH pocket guide 0359). Shards: common practice.
CAUTIONS = (
    "Invisible laser radiation: never look into a fibre and never put a microscope on it until a "
    "power meter shows that it is dark (IEC 60825-2).",
    "Cleaning solvents are flammable: keep them from sparks and heat, and air the room.",
    "Fibre shards pierce skin and eyes: wear safety glasses, do not eat at the bench, and collect "
    "every piece.",
    "Local rules and the responsible person come first. This tool advises; a trained person "
    "decides.",
)
