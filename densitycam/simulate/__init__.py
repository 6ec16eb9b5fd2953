"""Demo photos with known truth: spectral optics of culture, vessel, card, lamp and phone.

Public and seeded: `random_scene(numpy.random.default_rng(seed))` draws a shot, `render` turns it
into pixels, `write_photo` into a JPEG. Nothing of the estimator is imported here, nor the other
way round, and no constant is shared but the card's layout.
"""

from densitycam.simulate.cells import SPECIES
from densitycam.simulate.light import LAMPS, Lamp, lamp_of
from densitycam.simulate.phones import PHONES, Phone, phone_of
from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.picture import Truth, render
from densitycam.simulate.prints import PRINTS, Print, print_of
from densitycam.simulate.scene import Glare, Scene, Shadow, random_scene, spoilt
from densitycam.simulate.vessels import VESSELS, Vessel, as_vessel

__all__ = [
    "LAMPS",
    "PHONES",
    "PRINTS",
    "SPECIES",
    "VESSELS",
    "Glare",
    "Lamp",
    "Phone",
    "Print",
    "Scene",
    "Shadow",
    "Truth",
    "Vessel",
    "as_vessel",
    "lamp_of",
    "phone_of",
    "print_of",
    "random_scene",
    "render",
    "spoilt",
    "write_photo",
]
